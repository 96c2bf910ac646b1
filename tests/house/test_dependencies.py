"""Every package that toothwise installs is one that it uses."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import files
from pathlib import Path

import pytest

from tests.parts import need

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
NEEDED = [re.match(r"[\w.-]+", line)[0] for line in PROJECT["dependencies"]]  # type: ignore[index]


@pytest.mark.parametrize("package", NEEDED)
def test_every_package_is_used(package: str) -> None:
    """Imported, or run as `python -m`, under one of the names that it installs."""
    try:
        installed = files(package) or []
    except ModuleNotFoundError:
        need(package, False)
    names = {path.parts[0].removesuffix(".py") for path in installed if path.suffix == ".py"}
    names = {name for name in names if name.isidentifier() and name != "__pycache__"}
    used = re.compile(rf"^\s*(?:import|from) (?:{'|'.join(names)})\b|\"-m\", \"(?:{'|'.join(names)})\"", re.M)
    assert names and any(used.search(path.read_text(encoding="utf-8")) for path in (ROOT / "host").rglob("*.py"))
