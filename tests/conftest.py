"""Options that concern all tests."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("toothwise")
    group.addoption("--board", metavar="PORT", help="run the rig tests on the board at this serial port")
    group.addoption(
        "--board-file",
        metavar="FILE",
        default="pico.toml",
        help="the board's pins and jumpers, in tests/firmware/boards/ (default: %(default)s)",
    )
