"""Options that concern all tests."""

import os

import pytest
from hypothesis import settings

# No test depends on how fast the machine is, nor on chance: TOOTHWISE_RANDOM=1 draws other examples every time.
settings.register_profile("toothwise", deadline=None, derandomize="TOOTHWISE_RANDOM" not in os.environ)
settings.load_profile("toothwise")


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("toothwise")
    group.addoption("--board", metavar="PORT", help="run the rig tests on the board at this serial port")
    group.addoption(
        "--board-file",
        metavar="FILE",
        default="pico.toml",
        help="the board's pins and jumpers, in tests/firmware/boards/ (default: %(default)s)",
    )
