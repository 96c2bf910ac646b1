"""The course of a recording: every revolution has its row, every tooth its cell; a long one is folded, nothing lost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from toothwise.book import Book
from toothwise.examine import course, examine
from toothwise.records import BLIND, MISSING
from toothwise.wheel import catalogue

from tests.examine.signals import CLOCK, cut, held, turning
from tests.examine.test_examination import faulty, of

W12 = catalogue.wheel("12-1")


def course_of(rpm: float, turns: float, **faults: Any) -> dict[str, Any]:
    crank, end = turning(W12, rpm, turns, **faults)
    told = examine(held(end, crank=crank), W12).course
    assert told is not None
    return told


def test_each_revolution_has_its_row_and_each_fault_its_cell() -> None:
    told = course_of(900, 20, drop=[(5, 3), (9, 10)], extra=[(7, 4)])
    assert (told["first_revolution"], told["revolutions_a_row"]) == (-1, 1)
    rows = told["rows"]
    assert rows[0] == "0" * 11, "nothing came before the first tooth 1"
    assert rows[6] == "11811111111" and rows[10] == "11111111181" and rows[8] == "11151111111"
    assert {rows[i] for i in range(1, 20) if i not in (6, 8, 10)} == {"1" * 11}


def test_what_the_rig_could_not_see_is_unknown_and_no_fault() -> None:
    rows = of(faulty()).as_json()["course"]["rows"]
    cells = [int(cell, 16) for row in rows for cell in row]
    assert any(bits & BLIND for bits in cells)
    assert sum(bool(bits & MISSING) for bits in cells) == 3


def test_a_long_recording_is_folded_and_no_fault_is_lost() -> None:
    turns = 5 * course.MOST_ROWS
    drops = [(r, 1 + r % 9) for r in range(3, turns - 3, 97)]
    told = course_of(6000, turns, drop=drops)
    assert told["revolutions_a_row"] == 8 and len(told["rows"]) <= course.MOST_ROWS
    marked = {(r, t) for r, row in enumerate(told["rows"]) for t, bits in enumerate(row) if int(bits, 16) & 8}
    assert marked == {((r + 1) // 8, t - 1) for r, t in drops}
    assert not any(int(bits, 16) & BLIND for row in told["rows"] for bits in row)
    assert len(told["speed"]) <= course.MOST_POINTS
    assert told["speed"][0][0] == pytest.approx(1000 * 16e-9, abs=1e-6)
    for before, after in zip(told["speed"], told["speed"][1:], strict=False):
        assert before[1] == after[0], "the points follow one another without a hole"
    assert np.array(told["speed"])[:, 2:] == pytest.approx(6000, rel=1e-4)


def test_it_does_not_depend_on_the_cut() -> None:
    crank, end = turning(W12, 6000, 600, drop=[(100, 4)])
    recording = held(end, crank=crank)
    whole = examine(recording, W12).course
    from toothwise.examine import Examination

    for pieces in (3, 50, 613):
        examination = Examination(CLOCK, ("crank",), W12)
        for batch in cut(recording, [end * i // pieces for i in range(1, pieces)]):
            examination.feed(batch)
        assert examination.finish().course == whole


def test_the_book_keeps_it(tmp_path: Path) -> None:
    whole = of(faulty()).as_json()
    with Book.open(tmp_path / "b.sqlite") as book:
        number = book.keep_recording(faulty(), result=whole)
        result = book.recording(number).result
    assert result is not None and result["course"] == whole["course"]
