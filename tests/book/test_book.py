"""What a user of the book relies on: keep, read back, list, search, compare, delete, copy, check."""

from __future__ import annotations

import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from toothwise.book import Book
from toothwise.book.chunk import MOST_EDGES
from toothwise.edges.signal import Batch, Blind, Clock, Edges, Held
from toothwise.errors import BookTrouble, FileTrouble
from toothwise.records import Event

from tests.book.signals import assert_same, batches_of, joined, square

CLOCK = Clock(16.0)


@pytest.fixture
def book(address: str) -> Iterator[Book]:
    with Book.open(address) as book:
        yield book


def raw(book: Book, statement: str) -> list[Any]:
    """A statement past the book's own ways."""
    with book._store.writing() as connection:
        done = connection.exec_driver_sql(statement)
        return [tuple(row) for row in done] if done.returns_rows else []


def result(tooth_error: float = 0.1, missing: int = 1) -> dict[str, Any]:
    event = {"kind": "missing", "channel": "crank", "t_s": 1.5, "duration_s": 0.001, "revolution": 3}
    event |= {"tooth": 17, "angle_deg": 96.0, "count": missing, "level": 0, "proof": "cam"}
    return {
        "schema": 1,
        "wheel": {"name": "60-2", "slots": 60},
        "teeth": {"expected": 58, "missing": missing, "extra": 0},
        "events": [event],
        "measures": [
            {
                "name": "tooth_error",
                "value": np.float64(tooth_error),
                "unit": "deg",
                "uncertainty": 0.01,
                "tooth": 17,
            }
        ],
        "blind_s": 0.0,
    }


def test_a_live_recording_comes_back_whole(book: Book) -> None:
    edges = square(5000)
    recorder = book.start_recording(CLOCK, ("crank", "cam"), {"rig": "here"}, settings={"wheel": "60-2"})
    gap = Blind(100, 200, "drop", "crank")
    for i, batch in enumerate(batches_of(edges, 300)):
        recorder.add(Batch(batch.until_tick, batch.edges, (gap,) if i == 2 else ()))
    recorder.mark(120, "plug at the sensor")
    recorder.note("moved by hand")
    recorder.event(Event("missing", "crank", 5, 9, 0, 17, 96.0))
    recorder.finish()
    stored = book.recording(recorder.id)
    back, blind = joined(list(stored.batches()))
    assert_same(edges, back)
    assert blind == [gap]
    assert (stored.clock, stored.channels, stored.source) == (CLOCK, ("crank", "cam"), {"rig": "here"})
    assert stored.marks() == [(120, "plug at the sensor")]
    assert [text for _, text in stored.notes()] == ["moved by hand"]
    assert stored.events()[0]["tooth"] == 17
    assert stored.entry.state == "finished" and stored.entry.edges == 5000
    assert list(book.faults()) == []


def test_a_great_batch_is_read_in_small_pieces(book: Book) -> None:
    n = 12 * MOST_EDGES
    crank, cam = square(n, pitch=1000), square(n // 50, pitch=50_000, seed=2)
    until = max(int(crank.ticks[-1]), int(cam.ticks[-1])) + 1
    middle = int(crank.ticks[n // 2])
    blind = (Blind(middle, middle + 10, "drop"), Blind(0, until, "slow", "cam"))
    number = book.keep_recording(Held(CLOCK, {"crank": crank, "cam": cam}, until, blind))
    stored = book.recording(number)
    batches = list(stored.batches())
    assert len(batches) >= 12
    assert all(sum(map(len, b.edges.values())) <= MOST_EDGES + 2 for b in batches)
    earlier = -1
    for batch in batches:
        for edges in batch.edges.values():
            assert edges.ticks[0] >= earlier
        assert all(s.start_tick >= earlier or s.start_tick == 0 for s in batch.blind)
        earlier = batch.until_tick
    assert earlier == until
    assert_same(crank, joined(batches)[0])
    assert_same(cam, joined(batches, "cam")[0])
    assert sorted(joined(batches)[1], key=lambda s: s.start_tick) == sorted(blind, key=lambda s: s.start_tick)
    del batches
    tracemalloc.start()
    for _ in stored.batches():
        pass
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 9 * n  # far below the whole recording's 9 bytes an edge, with numpy's temporaries
    other = book.keep_recording(Held(CLOCK, {"crank": crank, "cam": cam}, until, blind[::-1]))
    assert book.recording(other).fingerprint() == stored.fingerprint()


def test_a_source_that_breaks_half_way_leaves_nothing_in_the_book(book: Book) -> None:
    class Breaking(Held):
        def batches(self) -> Iterator[Batch]:
            yield from batches_of(square(100), 10)
            raise FileTrouble("Row 101 cannot be read")

    with pytest.raises(FileTrouble):
        book.keep_recording(Breaking(CLOCK, {"crank": Edges.none()}, 10))
    assert book.recordings() == []
    assert list(book.faults()) == []


def test_the_fingerprint_does_not_see_the_cuts_but_every_edge(book: Book) -> None:
    edges = square(400)
    numbers = []
    for per_batch in (400, 7):
        recorder = book.start_recording(CLOCK, ("crank",), {})
        for batch in batches_of(edges, per_batch):
            recorder.add(batch)
            if per_batch == 7:
                recorder._pack_incoming()  # one chunk a batch
        recorder.finish()
        numbers.append(recorder.id)
    moved = edges.ticks.copy()
    moved[200] += 1
    numbers.append(book.keep_recording(Held(CLOCK, {"crank": Edges(moved, edges.levels)}, int(moved[-1]) + 1)))
    first, second, third = (book.recording(n).fingerprint() for n in numbers)
    assert first == second != third


def test_results_replace_what_was_found_live(book: Book) -> None:
    recorder = book.start_recording(CLOCK, ("crank",), {})
    recorder.event(Event("extra", "crank", 5, 5))
    recorder.finish(result())
    stored = book.recording(recorder.id)
    assert stored.result is not None and stored.result["measures"][0]["value"] == 0.1
    (event,) = stored.events()
    assert (event["kind"], event["tick"], event["more"]) == ("missing", 93_750_000, {"proof": "cam"})
    book.keep_result(recorder.id, result(missing=4))
    (event,) = book.recording(recorder.id).events()
    assert event["count"] == 4


def test_an_examination_keeps_the_wiggle_test_and_what_the_rig_itself_found(book: Book) -> None:
    recorder = book.start_recording(CLOCK, ("crank",), {})
    short = Event("contact", "signal", 500, 900, more={"short": ["ground", "signal"]})
    recorder.event(short)
    whole = result()
    whole["events"].append(short.as_json(CLOCK))
    recorder.finish({**whole, "wiggle": {"places": []}})
    for missing in (4, 5):
        book.keep_result(recorder.id, result(missing=missing))
    stored = book.recording(recorder.id)
    assert stored.result is not None and stored.result["wiggle"] == {"places": []}
    assert [event["kind"] for event in stored.result["events"]] == ["missing", "contact"]
    first, second = stored.events()
    assert (first["tick"], first["end_tick"], first["more"]) == (500, 900, {"short": ["ground", "signal"]})
    assert second["count"] == 5
    book.keep_result(recorder.id, result() | {"wiggle": {"places": ["plug"]}})
    assert (book.recording(recorder.id).result or {})["wiggle"] == {"places": ["plug"]}


def test_compare(book: Book) -> None:
    empty = Held(CLOCK, {"crank": Edges.none()}, 10)
    a = book.keep_recording(empty, result=result(0.10))
    b = book.keep_recording(empty, result=result(0.25, missing=0))
    compared = book.compare(a, b)
    (row,) = compared["measures"]
    assert row["difference"] == pytest.approx(0.15) and row["differs"] is True
    assert row["about"] == {"tooth": 17}
    assert compared["missing"] == {"a": 1, "b": 0}
    assert book.compare(a, a)["measures"][0]["differs"] is False
    with pytest.raises(BookTrouble, match="has not been examined"):
        book.compare(a, book.keep_recording(empty))


def test_list_and_search(book: Book) -> None:
    job = book.jobs.add('complaint = ["stall"]\n[vehicle]\nname = "Van with 100% rust"')
    empty = Held(CLOCK, {"crank": Edges.none()}, 10, source={"port": "virtual"})
    first = book.keep_recording(empty, job=job)
    second = book.keep_recording(empty)
    book.add_note(second, "Heat gun at the plug")
    assert [e.id for e in book.recordings()] == [second, first]
    assert [e.id for e in book.recordings("100%")] == [first]
    assert [e.id for e in book.recordings("heat GUN")] == [second]
    assert book.recordings("100_") == []
    assert [e.id for e in book.recordings(limit=1, skip=1)] == [first]
    assert [e.id for e in book.recordings(job=job)] == [first]
    book.assign(second, job)
    assert len(book.recordings(job=job)) == 2


def test_jobs(book: Book) -> None:
    job = book.jobs.add('[vehicle]\nname = "Blue van"')
    book.jobs.add_reading(job, "feed_v", 5.02, "sensor")
    book.jobs.add_note(job, "customer waits")
    assert book.jobs.get(job).title == "Blue van"
    assert [j.id for j in book.jobs.find("WAITS")] == [job]
    assert [(r.name, r.value) for r in book.jobs.readings(job)] == [("feed_v", 5.02)]
    book.jobs.change(job, 'complaint = ["no start"]')
    assert book.jobs.get(job).title == "untitled"
    with pytest.raises(FileTrouble, match="end of document"):
        book.jobs.add("complaint = [")
    recording = book.keep_recording(Held(CLOCK, {"crank": Edges.none()}, 10), job=job)
    book.jobs.delete(job)
    assert book.recording(recording).entry.job_id is None
    for call in (book.jobs.get, book.jobs.delete):
        with pytest.raises(BookTrouble, match=f"no job {job}"):
            call(job)


def test_settings_and_wheels(book: Book) -> None:
    assert book.setting("beep", True) is True
    book.set_setting("beep", {"volume": 3})
    book.set_setting("beep", {"volume": 4})
    assert book.setting("beep") == {"volume": 4}
    book.keep_wheel("bench master", {"slots": 60, "error_deg": np.array([0.1, -0.1])})
    assert book.wheels() == ["bench master"]
    assert book.wheel("bench master") == {"slots": 60, "error_deg": [0.1, -0.1]}
    assert book.wheel("none") is None


def test_delete_takes_all_of_it_and_refuses_a_running_one(book: Book) -> None:
    recorder = book.start_recording(CLOCK, ("crank",), {})
    with pytest.raises(BookTrouble, match="still running"):
        book.delete(recorder.id)
    recorder.add(batches_of(square(10), 10)[0])
    recorder.finish(result())
    book.delete(recorder.id)
    with pytest.raises(BookTrouble, match="no recording"):
        book.delete(recorder.id)
    for table in ("chunks", "events", "measures", "recordings"):
        assert raw(book, f"SELECT count(*) FROM {table}") == [(0,)]


def test_backup_while_a_recording_runs(book: Book, tmp_path: Path) -> None:
    recorder = book.start_recording(CLOCK, ("crank",), {})
    batches = batches_of(square(2000), 100)
    for batch in batches[:10]:
        recorder.add(batch)
    recorder._pack_incoming()
    recorder._writer.write(recorder._waiting)
    recorder._waiting = []
    book.backup(tmp_path / "copy.sqlite")
    for batch in batches[10:]:
        recorder.add(batch)
    recorder.finish()
    with Book.open(tmp_path / "copy.sqlite") as copy:
        edges, _ = joined(list(copy.recording(recorder.id).batches()))
        assert len(edges) >= 1000
        assert list(copy.faults()) == []
    with pytest.raises(BookTrouble, match="exists already"):
        book.backup(tmp_path / "copy.sqlite")


@pytest.mark.parametrize(
    ("harm", "line"),
    [
        ("UPDATE chunks SET data = x'00' WHERE seq = 1", "chunk 1: the stored bytes do not inflate"),
        ("UPDATE chunks SET crc32 = crc32 + 1 WHERE seq = 1", "chunk 1: the check sum does not fit"),
        ("UPDATE chunks SET encoding = 9 WHERE seq = 1", "chunk 1: encoding 9 is not known"),
        ("UPDATE chunks SET edges = edges + 1 WHERE seq = 1", "chunk 1: its number of edges is wrong"),
        ("DELETE FROM chunks WHERE seq = 1", "chunks 1 to 1 are missing"),
        ("DELETE FROM chunks WHERE seq = 2", "2 chunks with"),
    ],
)
def test_damage_is_found_and_named(book: Book, harm: str, line: str) -> None:
    recorder = book.start_recording(CLOCK, ("crank",), {})
    for batch in batches_of(square(300), 100):
        recorder.add(batch)
        recorder._pack_incoming()
    recorder.finish()
    raw(book, harm.replace("x'00'", "'\\x00'") if "://" in book.where else harm)
    assert any(line in fault for fault in book.faults())
    if "seq = 1" in harm and "edges" not in harm:
        with pytest.raises(BookTrouble, match=r"Chunk 1 of recording .* is damaged"):
            list(book.recording(recorder.id).batches())


def test_another_process_reads_while_one_writes(book: Book, address: str) -> None:
    recorder = book.start_recording(CLOCK, ("crank",), {})
    recorder.add(batches_of(square(100), 100)[0])
    recorder._pack_incoming()
    with book._store.writing() as held:  # a writer in the middle of its transaction
        held.exec_driver_sql("UPDATE recordings SET source = '{}'")
        code = "import sys; from toothwise.book import Book; print(Book.open(sys.argv[1]).recordings()[0].state)"
        out = subprocess.run([sys.executable, "-c", code, address], capture_output=True, text=True, timeout=30)
    assert out.stdout == "running\n", out.stderr
    recorder.finish()
