"""The command line as one call, as for the commands' own tests."""

from tests.cli.conftest import toothwise

__all__ = ["toothwise"]
