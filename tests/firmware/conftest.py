"""The world the rig tests run in: the unix port by default, a board with --board PORT."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.firmware import streams, worlds
from tests.parts import need

BOARDS = Path(__file__).parent / "boards"


@pytest.fixture
def declared(request: pytest.FixtureRequest) -> dict[str, Any]:
    """What the board's file says of it."""
    name = request.config.getoption("board_file") if request.config.getoption("board") else "virtual.toml"
    return tomllib.loads((BOARDS / name).read_text())


@pytest.fixture
def world(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[worlds.World]:
    """A rig with nothing on its inputs but its own pattern."""
    port = request.config.getoption("board")
    if port:
        made: worlds.World = worlds.Board(port)
    else:
        need("the MicroPython unix port", worlds.micropython() is not None)
        made = worlds.UnixPort(streams.write(tmp_path / "still", {}, 62_500_000, 62_500_000))
    try:
        made.hello()
        yield made
    finally:
        made.close()
