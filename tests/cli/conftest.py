"""A book of its own for every test, and the command line as one call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from toothwise.cli import main


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str


Toothwise = Callable[..., Ran]


@pytest.fixture
def toothwise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Toothwise:
    monkeypatch.setenv("TOOTHWISE_BOOK", str(tmp_path / "book.sqlite"))
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str) -> Ran:
        capfd.readouterr()
        try:
            code = main(arguments)
        except SystemExit as end:  # argparse's own endings
            code = end.code if isinstance(end.code, int) else 1
        out, err = capfd.readouterr()
        return Ran(code, out, err)

    return run
