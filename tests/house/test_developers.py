"""DEVELOPERS.md speaks of what is there: rooms, files, scripts, layers."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "host" / "toothwise"
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8") if (ROOT / "DEVELOPERS.md").exists() else ""
MAP = TEXT.partition("## The map")[2].partition("\n## ")[0]
ROOMS = sorted(path.parent.name for path in PACKAGE.glob("*/__init__.py"))


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_is_on_the_map(room: str) -> None:
    assert re.search(rf"^      {room}/ +\S", MAP, re.M)


@pytest.mark.parametrize("path", sorted((ROOT / "firmware").glob("*.py")), ids=lambda path: path.name)
def test_every_file_of_the_board_is_on_the_map(path: Path) -> None:
    assert path.name in MAP


def test_the_map_shows_the_layers_that_are_checked() -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
    layers = next(contract["layers"] for contract in contracts if contract["type"] == "layers")
    rows = [frozenset(re.findall(r"\w+", layer)) for layer in layers]
    here = {*ROOMS, *(path.stem for path in PACKAGE.glob("*.py"))}
    shown = MAP.partition("pyproject.toml):\n\n")[2].partition("\n\n")[0].splitlines()
    assert [frozenset(re.findall(r"\w+", row)) for row in shown] == [row & here for row in rows]


SUFFIXES = ("py", "md", "toml")
PLACES = [ROOT, PACKAGE, ROOT / "firmware", *(PACKAGE / room for room in ROOMS)]


def test_every_file_and_folder_it_names_is_there() -> None:
    text = TEXT.replace("NAME", "\0")
    names = set(re.findall(rf"(?<![\w/.<`-])((?:[\w.-]+/)*[\w-]+\.(?:{'|'.join(SUFFIXES)}))(?![\w\0])", text))
    names |= set(re.findall(r"(?<![\w/.])((?:tests|host|firmware|wiring)/(?:[\w-]+/)*)(?![\w\0])", text))
    names -= {"pins.json"}
    assert len(names) > 50
    assert sorted(name for name in names if not any((place / name).exists() for place in PLACES)) == []


def scripts() -> list[Path]:
    """Every campaign, benchmark and tool: its docstring has the words that start it."""
    return [
        path.relative_to(ROOT)
        for path in sorted((ROOT / "tests").rglob("*.py"))
        if re.search(r"^\s*(PYTHONPATH=\S+ )?python (-m )?tests[./]", ast.get_docstring(parsed(path)) or "", re.M)
    ]


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("script", scripts(), ids=str)
def test_every_campaign_benchmark_and_tool_is_told_of(script: Path) -> None:
    module = ".".join(script.with_suffix("").parts).removesuffix(".__main__")
    ways = (f"python {script}", f"python -m {module}", f"`...{script.stem}")
    assert re.search(rf"({'|'.join(map(re.escape, ways))})\b", TEXT)


def test_every_promise_names_its_keeper_and_its_test() -> None:
    rows = re.findall(r"^\| (.+?) \| (.+?) \| (.+?) \|$", TEXT.partition("## Promises")[2].partition("\n## ")[0], re.M)
    assert len(rows) >= 8  # the heads of the table and its rule among them
    for _, keeper, test in rows[2:]:
        assert re.search(r"[\w/]+", keeper) and re.search(r"tests/|\.ci/run|contracts", test)
