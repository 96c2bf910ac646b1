"""Check the firmware's types against the board's own stubs.

    python tests/firmware/firmware_types.py

The stubs (PyPI micropython-rp2-stubs and what it brings) replace the standard library's, so they are laid out in a
folder of their own for the checker; where they are installed among other packages it would not look.
Exit code as the checker's: 0 if nothing was found.
"""

from __future__ import annotations

import importlib.metadata
import subprocess
import sys
import tempfile
from pathlib import Path

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
STUBS = ("micropython-stdlib-stubs", "micropython-rp2-stubs")


def lay_out(folder: Path) -> None:
    """Copy the stub files of the installed distributions. Raises PackageNotFoundError where one is missing."""
    for name in STUBS:
        for file in importlib.metadata.files(name) or []:
            if file.suffix in (".pyi", ".typed") or file.name == "VERSIONS":
                target = folder / str(file)
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(Path(str(file.locate())).read_bytes())


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        lay_out(Path(folder))
        command = [
            *(sys.executable, "-m", "mypy", "--config-file", ".mypy.ini"),
            *("--custom-typeshed-dir", folder, "--cache-dir", str(Path(folder) / "cache")),
        ]
        environment = {"MYPYPATH": folder, "PATH": "/usr/bin:/bin"}
        return subprocess.run([*command, "."], cwd=FIRMWARE, env=environment).returncode


if __name__ == "__main__":
    sys.exit(main())
