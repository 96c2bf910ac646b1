"""The command as its user meets it: what it names, finds, refuses and compares."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from toothwise.book import Book
from toothwise.commands.rig import check_key
from toothwise.edges.files import write_recording
from toothwise.edges.signal import Held
from toothwise.examine import examine
from toothwise.wheel import catalogue
from toothwise.wiggle import Mark, judge, look

from tests.cli.conftest import Toothwise
from tests.examine.signals import CLOCK, held, turning
from tests.report.stories import W60, quiet_of, shaken, told_of, write_stripe
from tests.report.test_report_page import words_of


@pytest.fixture
def job(toothwise: Toothwise, tmp_path: Path) -> Path:
    """A card and two recordings of its job: with the fault, and good again."""
    write_stripe(tmp_path)
    crank, end = turning(W60, 1000, 40)
    write_recording(tmp_path / "mended.csv", held(end, crank=crank))
    for file, code in (("stripe.csv", 1), ("mended.csv", 0)):
        assert toothwise("examine", file, "--job", "van.toml", "--keep").code == code
    return tmp_path


def test_it_is_named_after_what_it_is_of_and_never_writes_over(toothwise: Toothwise, job: Path) -> None:
    ran = toothwise("report", "1")
    assert (ran.code, ran.out) == (1, "The report is in recording-1.html.\n")
    again = toothwise("report", "1")
    assert again.code == 3 and "recording-1.html is there already" in again.err and "--replace" in again.err
    assert toothwise("report", "2", "-o", "good.html").code == 0
    assert toothwise("report", "van.toml").out == "The report is in van.html.\n"
    assert toothwise("report", "job:1").out == "The report is in job-1.html.\n"
    assert sorted(path.name for path in job.glob("*.html*")) == [
        "good.html", "job-1.html", "recording-1.html", "van.html",
    ]  # fmt: skip


def test_a_job_tells_its_recordings_and_how_they_differ(toothwise: Toothwise, job: Path) -> None:
    with Book.open(job / "book.sqlite") as book:
        book.jobs.add_note(1, "wheel replaced")
        book.add_note(2, "after the repair")
    told, page = told_of(toothwise, "van.toml")
    said = words_of(page)
    assert [recording["number"] for recording in told["recordings"]] == [2, 1]
    assert (told["earlier"]["a"], told["earlier"]["b"]) == (1, 2)
    missing = told["earlier"]["events"]["a"]["missing"]
    for wanted in (
        "Found in recording 2", "Found in recording 1", "Against the earlier run", "recording 1 recording 2",
        f"findings: missing {missing} 0", "wheel replaced", "note: after the repair", "was good all the time",
    ):  # fmt: skip
        assert wanted in said, wanted
    one, _ = told_of(toothwise, "2")
    assert one["earlier"]["a"] == 1 and one["job"]["vehicle"]["name"] == "Brindle 1.4"
    assert told_of(toothwise, "1")[0]["earlier"] is None


def test_a_wiggle_test_is_set_beside_the_one_before_it(toothwise: Toothwise, tmp_path: Path) -> None:
    recording, at = shaken()
    with Book.open(tmp_path / "book.sqlite") as book:
        job = book.jobs.add('[vehicle]\nname = "van"\n')
        marks = [Mark(recording.clock.ticks(t), name) for t, name in at]
        for heard in (recording, quiet_of(recording)):
            recorder = book.start_recording(heard.clock, heard.channels, {"kind": "rig"}, job, {"wheel": "60-2"})
            for batch in heard.batches():
                recorder.add(batch)
            for mark in marks:
                recorder.mark(mark.tick, mark.place)
            judged = judge([look(heard, marks, wheel=W60)]).as_json()
            recorder.finish(examine(heard, W60).as_json() | {"wiggle": judged})
    told, page = told_of(toothwise, "2")
    said = words_of(page)
    row = next(row for row in told["earlier_wiggle"]["rows"] if row["place"] == "place 2")
    assert row["a"]["events"] == 9 and row["b"]["events"] == 0 and row["p"] < 0.05
    assert "Against the earlier wiggle test, recording 1" in said and "place 2: fewer events than before" in said
    assert told["earlier"]["a"] == 1
    assert told_of(toothwise, "1")[0]["earlier_wiggle"] is None


def test_the_object_is_the_books_result_and_the_hash_its_edges(toothwise: Toothwise, job: Path) -> None:
    told, page = told_of(toothwise, "1")
    with Book.open(job / "book.sqlite") as book:
        stored = book.recording(1)
        assert told["recordings"][0]["result"] == json.loads(json.dumps(stored.result))
        assert told["recordings"][0]["sha256"] == stored.fingerprint()
        assert stored.entry.uid in page


def test_an_old_result_is_examined_anew_and_kept(toothwise: Toothwise, job: Path) -> None:
    with Book.open(job / "book.sqlite") as book:
        result = dict(book.recording(1).result or {})
        before = result.pop("course")
        book.keep_result(1, result)
    told, _ = told_of(toothwise, "1")
    assert told["recordings"][0]["result"]["course"] == before
    with Book.open(job / "book.sqlite") as book:
        assert (book.recording(1).result or {})["course"] == before


def test_the_boards_last_self_check_is_told(toothwise: Toothwise, tmp_path: Path) -> None:
    crank, end = turning(W60, 1000, 20)
    pattern = {"from_rpm": 100, "to_rpm": 6000, "jumper": "2 to 3", "found": 800, "expected": 800, "worst_us": 0.03,
               "missing_s": [], "extra_s": [], "blind_s": 0.0}  # fmt: skip
    link = {"round_trip_ms": 1.0, "round_trip_worst_ms": 2.0, "highest_rate_hz": 100_000, "failed_rate_hz": None,
            "stated_rate_hz": None, "lost_frames": 0, "bad_crc": 0}  # fmt: skip
    report = {"passed": True, "board": "a board", "pattern": pattern, "link": link}
    with Book.open(tmp_path / "book.sqlite") as book:
        book.keep_recording(Held(CLOCK, {"crank": crank}, end, (), {"kind": "rig", "board": "a board"}))
        book.set_setting(check_key("a board"), {"utc": "2026-03-01T08:00:00.000000Z", "report": report})
    said = words_of(told_of(toothwise, "1")[1])
    assert "On 2026-03-01 08:00:00 UTC" in said and "800 of 800 edges where they were put" in said
    assert "Passed: every edge was found where it was put." in said


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["9"], 5, "There is no recording 9"),
        (["nothing.csv"], 3, "nothing.csv"),
        (["nothing.toml"], 3, "cannot be read"),
        (["job:x"], 3, "names no job"),
        (["job:9"], 5, "There is no job 9"),
        (["1", "-o", "nowhere/r.html"], 3, "There is no folder nowhere"),
    ],
)
def test_what_cannot_be_done_is_one_line(toothwise: Toothwise, arguments: list[str], code: int, words: str) -> None:
    ran = toothwise("report", *arguments)
    assert ran.code == code and words in ran.err and ran.err.count("\n") == 1 and not ran.out


def test_a_card_that_nothing_was_recorded_with(toothwise: Toothwise, tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text('[vehicle]\nname = "other"\n', encoding="utf-8")
    ran = toothwise("report", "other.toml")
    assert ran.code == 5 and "knows no recording of the job other.toml" in ran.err and "watch --job" in ran.err


@pytest.mark.parametrize("name", ["half-moon", "quarter-moon", "3", "4+1", "2-long-2-short", "36-2-2-2"])
def test_every_kind_of_wheel_has_its_report(toothwise: Toothwise, tmp_path: Path, name: str) -> None:
    crank, end = turning(catalogue.wheel(name), 900, 15)
    write_recording(tmp_path / "any.csv", held(end, crank=crank))
    told, page = told_of(toothwise, "any.csv", "--wheel", name)
    assert told["recordings"][0]["result"]["wheel"]["name"] == name
    assert 'alt="Tooth wheel with its faults"' in page


@pytest.mark.parametrize("edges", [1, 3])
def test_too_little_to_say_anything_is_said_so(toothwise: Toothwise, tmp_path: Path, edges: int) -> None:
    rows = [f"{0.01 * n:.3f},crank,{n % 2}" for n in range(edges)]
    (tmp_path / "few.csv").write_text("\n".join(["time_s,channel,level", *rows, ""]), encoding="utf-8")
    said = words_of(told_of(toothwise, "few.csv")[1])
    assert "could not be followed well enough" in said and "wheel none was followed" in said
