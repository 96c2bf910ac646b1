"""The checkout itself: what lies at the top, a reason for each dependency, a docstring and a bearable length a file."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROJECT = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
SOURCES = sorted([*(ROOT / "host" / "toothwise").rglob("*.py"), *(ROOT / "firmware").glob("*.py")])
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "firmware", "host", "tests", "wiring"}
MADE = {"build", "dist"}
"""What tools leave at the top; .gitignore keeps it out."""
LONGEST = 450


def test_the_top_holds_what_was_agreed() -> None:
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - MADE
    assert found == TOP


def named(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", SOURCES, ids=named)
def test_every_file_says_what_it_is_for_and_can_be_read_in_one_sitting(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert ast.get_docstring(ast.parse(text)), "no docstring"
    assert text.count("\n") <= LONGEST


def requirements() -> list[tuple[str, str]]:
    """Every requirement of pyproject.toml as it is written, with the comment behind or right above it."""
    found = []
    above = ""
    for line in PROJECT.splitlines():
        comment = re.match(r"\s*#\s*(.*)", line)
        entry = re.match(
            r"\s*(?:requires = \[)?\"([A-Za-z][^\"]*(?:[<>=~]=[^\"]*|\[[a-z]+\]))\"[,\]]*\s*(?:#\s*(.*))?$", line
        )
        if entry:
            found.append((entry[1], entry[2] or above))
        above = comment[1] if comment else ""
    return found


def listed() -> list[str]:
    """Every requirement of pyproject.toml as a reader of TOML sees it."""
    data = tomllib.loads(PROJECT)
    extras = data["project"]["optional-dependencies"].values()
    return [*data["build-system"]["requires"], *data["project"]["dependencies"], *(line for e in extras for line in e)]


def test_every_dependency_has_its_reason_and_its_oldest_version() -> None:
    assert [line for line, _ in requirements()] == listed()
    for line, reason in requirements():
        if line.startswith("toothwise["):
            continue
        assert len(reason) > 8, f"{line}: why?"
        assert re.search(r"[>=]=\d", line), f"{line}: from which version on?"


def test_each_dependency_is_asked_for_once_in_its_list() -> None:
    data = tomllib.loads(PROJECT)["project"]
    for lines in (data["dependencies"], *data["optional-dependencies"].values()):
        names = [re.split(r"[<>=~;\[ ]", line)[0] for line in lines]
        assert len(set(names)) == len(names)
