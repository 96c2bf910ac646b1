"""Options that concern all tests."""

import pytest
from hypothesis import settings

# No test depends on how fast the machine is.
settings.register_profile("toothwise", deadline=None)
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
