"""`toothwise book` as its user meets it: lists, shows, compares, deletes with care, copies while in use, checks."""

from __future__ import annotations

import io
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from toothwise.book import Book
from toothwise.edges.files import write_recording
from toothwise.wheel import catalogue

from tests.book.signals import batches_of, square
from tests.cli.conftest import Toothwise, toothwise
from tests.examine.signals import CLOCK, held, turning

__all__ = ["toothwise"]

W60 = catalogue.wheel("60-2")
CARD = '[vehicle]\nname = "blue van"\n[sensor]\nwheel = "60-2"\n'


@pytest.fixture
def book(toothwise: Toothwise, tmp_path: Path) -> Path:
    """Two recordings of one job, before and after, and one of none."""
    (tmp_path / "van.toml").write_text(CARD, encoding="utf-8")
    for name, drop in (("before", [(5, 17), (9, 17)]), ("after", []), ("other", [])):
        crank, end = turning(W60, 1000, 30, drop=drop)
        write_recording(tmp_path / f"{name}.csv", held(end, crank=crank))
    for name in ("before", "after"):
        toothwise("examine", f"{name}.csv", "--job", "van.toml", "--keep")
    toothwise("examine", "other.csv", "--wheel", "60-2", "--keep")
    return tmp_path / "book.sqlite"


def told(toothwise: Toothwise, *arguments: str) -> Any:
    ran = toothwise("book", *arguments, "--json")
    assert ran.code == 0, ran.err
    return json.loads(ran.out)


def test_recordings_and_jobs_are_listed_and_searched(toothwise: Toothwise, book: Path) -> None:
    listed = told(toothwise, "list")
    assert [(e["id"], e["findings"], e["job_id"]) for e in listed] == [(3, 0, None), (2, 0, 1), (1, 2, 1)]
    lines = toothwise("book", "list", "blue").out.splitlines()
    assert len(lines) == 3 and all("1 blue van" in line for line in lines[1:])
    (job,) = told(toothwise, "jobs")
    assert (job["title"], job["recordings"], job["body"]) == ("blue van", 2, CARD)
    assert "blue van" in toothwise("book", "jobs").out
    assert "no such job" in toothwise("book", "jobs", "red").out


def test_a_card_seen_again_is_the_same_job_with_what_it_says_now(toothwise: Toothwise, book: Path) -> None:
    (book.parent / "van.toml").write_text(CARD.replace("blue", "green"), encoding="utf-8")
    toothwise("examine", "3", "--job", "van.toml", "--wheel", "60-2")
    (job,) = told(toothwise, "jobs")
    assert (job["title"], job["recordings"]) == ("green van", 3)
    assert told(toothwise, "show", "3")["result"]["job"]["vehicle"]["name"] == "green van"
    assert told(toothwise, "show", "1")["result"]["job"]["vehicle"]["name"] == "blue van", "weighed by it as it was"


def test_a_job_is_shown_with_its_card_notes_and_recordings(toothwise: Toothwise, book: Path) -> None:
    toothwise("book", "note", "job:1", "came on a trailer")
    with Book.open(book) as opened:
        opened.jobs.add_reading(1, "feed_v", 4.97, "sensor")
    shown = toothwise("book", "show", "job:1").out
    for wanted in ("job 1: blue van", "van.toml", 'name = "blue van"', "came on a trailer", "feed_v 4.97, at sensor"):
        assert wanted in shown
    whole = told(toothwise, "show", "job:1")
    assert [e["id"] for e in whole["recordings"]] == [2, 1] and whole["readings"][0]["value"] == 4.97
    assert "job       1: blue van" in toothwise("book", "show", "2").out


def test_two_recordings_side_by_side_with_doubt_and_causes(toothwise: Toothwise, book: Path) -> None:
    with Book.open(book) as opened:
        for number, value, doubt in ((1, 0.1, 0.02), (2, 0.3, 0.03)):
            result = opened.recording(number).result or {}
            runout = {"name": "runout_1", "value": value, "unit": "deg", "uncertainty": doubt}
            opened.keep_result(number, result | {"measures": [*result["measures"], runout]})
    both = told(toothwise, "compare", "1", "2")
    assert (both["missing"], both["events"]["a"]) == ({"a": 2, "b": 0}, {"missing": 2})
    runout = next(row for row in both["measures"] if row["name"] == "runout_1")
    assert (runout["a_uncertainty"], runout["b_uncertainty"], runout["differs"]) == (0.02, 0.03, True)
    assert runout["uncertainty"] == pytest.approx((0.02**2 + 0.03**2) ** 0.5)
    assert {row["cause"] for row in both["causes"]} >= {"sensor", "wheel_tooth"}
    assert all((row["a"]["stands"] != row["b"]["stands"]) == row["changed"] for row in both["causes"])
    said = " ".join(toothwise("book", "compare", "1", "2").out.split())
    assert "Measured in recording 1 only: chance that the faults keep to no tooth" in said
    assert "findings: missing" in said and "cause: " in said
    assert "runout, once a turn" in said and "0.10 ± 0.02° 0.30 ± 0.03° differs, by 0.20 ± 0.04°" in said


@pytest.mark.parametrize(("answer", "gone"), [("1\n", True), ("2\n", False), ("yes\n", False), ("", False)])
def test_deleting_says_what_goes_and_asks(
    toothwise: Toothwise, book: Path, monkeypatch: pytest.MonkeyPatch, answer: str, gone: bool
) -> None:
    toothwise("book", "note", "1", "a line")
    someone = io.StringIO(answer)
    monkeypatch.setattr(someone, "isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stdin", someone)
    ran = toothwise("book", "delete", "1")
    assert ran.code == 0
    assert "recording 1:" in ran.err and "3,476 edges" in ran.err and "2 findings" in ran.err and "1 note." in ran.err
    assert "Its job 1 stays: blue van." in ran.err
    assert ("It stays." in ran.err) != gone and ("Recording 1 is deleted." in ran.out) == gone
    assert len(told(toothwise, "list")) == (2 if gone else 3)


def test_nothing_is_deleted_where_nobody_can_be_asked(toothwise: Toothwise, book: Path) -> None:
    for what in ("1", "job:1"):
        for more in ([], ["--json"]):
            ran = toothwise("book", "delete", what, *more)
            assert ran.code == 2 and "--yes" in ran.err and not ran.out
    assert len(told(toothwise, "list")) == 3 and len(told(toothwise, "jobs")) == 1


def test_a_job_goes_and_its_recordings_stay(toothwise: Toothwise, book: Path) -> None:
    ran = toothwise("book", "delete", "job:1", "--yes")
    assert "2 recordings of it stay, without a job." in ran.out
    assert [e["job_id"] for e in told(toothwise, "list")] == [None] * 3
    assert told(toothwise, "delete", "2", "--yes") == {
        "deleted": {"recording": 2},
        "went": {"edges": 3480, "bytes": pytest.approx(2000, abs=8000), "findings": 0, "marks": 0, "notes": 0,
                 "measures": pytest.approx(70, abs=70)},
    }  # fmt: skip


def test_a_backup_while_a_recording_runs_is_whole(toothwise: Toothwise, book: Path) -> None:
    with Book.open(book) as opened:
        recorder = opened.start_recording(CLOCK, ("crank",), {"kind": "rig"})
        for n, batch in enumerate(batches_of(square(4000), 100)):
            recorder.add(batch)
            if n == 20:
                assert told(toothwise, "backup", "copy.sqlite") == {"book": str(book), "copy": "copy.sqlite"}
        recorder.finish()
    assert told(toothwise, "check", "--book", "copy.sqlite")["faults"] == []
    assert {1, 2, 3} <= {e["id"] for e in told(toothwise, "list", "--book", "copy.sqlite")}
    again = toothwise("book", "backup", "copy.sqlite")
    assert again.code == 5 and "exists already" in again.err


def test_check_names_what_is_damaged(toothwise: Toothwise, book: Path) -> None:
    with sqlite3.connect(book) as raw:
        raw.execute("UPDATE chunks SET data = zeroblob(length(data)) WHERE recording_id = 2 AND seq = 0")
    ran = toothwise("book", "check", "--json")
    assert ran.code == 5 and "1 fault" in ran.err
    (fault,) = json.loads(ran.out)["faults"]
    assert "recording 2, chunk 0" in fault


@pytest.mark.parametrize("what", ["7x", "job:", "lot:3", "-1", "job:-2"])
def test_a_slip_of_the_pen_is_one_line(toothwise: Toothwise, book: Path, what: str) -> None:
    ran = toothwise("book", "show", what)
    assert ran.code in (2, 3) and ran.err.count("\n") == 1 and not ran.out
