"""The whole at once: the firmware's drive turns a made motor, keys come on standard input, the book keeps it."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from toothwise.bench.result import MASTER, PASS, RETEST, from_dict
from toothwise.book import Book
from toothwise.cli import main
from toothwise.link.virtual import interpreter

from tests.bench import made_sensors as made
from tests.parts import need


class Typed:
    """Standard input: serial, placed, and then Enter now and then, should a busy computer have stopped the drive."""

    def isatty(self) -> bool:
        return False

    def __iter__(self) -> Iterator[str]:
        yield "S1\n"
        while True:
            yield "\n"
            time.sleep(2.0)


@pytest.mark.slow
def test_one_sensor_from_serial_number_to_book(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    need("the MicroPython unix port", interpreter() is not None)
    parts = made.LIMITS.split("[measure.lowest_full_count]")
    rest = parts[1][parts[1].index("[measure.missing]") :]  # no sweep: it takes half a minute
    limits, book = tmp_path / "limits.toml", tmp_path / "book.sqlite"
    limits.write_text(parts[0] + rest)
    monkeypatch.setattr(sys, "stdin", Typed())
    wanted = ["bench", "run", "L1", "--limits", str(limits), "--rig", "virtual", "--book", str(book), "--sensors", "1"]
    assert main(wanted) in (0, 1)
    said = capsys.readouterr().out
    assert "emergency stop" in said and "S1: " in said
    with Book.open(book) as opened:
        (kept,) = opened.bench.lot_results("L1")
        (recording,) = kept["recordings"]
        assert opened.recording(recording).channels == ("crank", "cam", "feed", "aux")
    result = from_dict(kept)
    assert result.verdict in (PASS, RETEST) and result.reference == MASTER
    assert {"edge_position", "jitter", "missing"} <= {one.name for one in result.measures}
    assert {"firmware", "board", "toothwise", "limits_sha256"} <= set(result.versions)
