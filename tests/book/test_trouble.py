"""What a book does when the disk, another program or a kill gets in its way."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Connection, event
from toothwise.book import Book, Recorder, recorder, store
from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.errors import BookTrouble

from tests.book.signals import assert_same, batches_of, joined, square

CLOCK = Clock(16.0)


def wait_for(what: Callable[[], object], deadline_s: float = 20.0) -> None:
    end = time.monotonic() + deadline_s
    while not what():
        assert time.monotonic() < end, "it never happened"
        time.sleep(0.01)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commit and retry at once, give up waiting for a lock at once."""
    monkeypatch.setattr(recorder, "COMMIT_EVERY_S", 0.02)
    monkeypatch.setattr(recorder, "RETRY_EVERY_S", 0.02)
    monkeypatch.setattr(store, "BUSY_MS", 50)


@pytest.mark.usefixtures("quick")
def test_a_locked_book_is_said_and_nothing_is_lost(tmp_path: Path) -> None:
    edges = square(3000)
    with Book.open(tmp_path / "b.sqlite") as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        batches = batches_of(edges, 100)
        other = sqlite3.connect(book.where, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        for batch in batches[:20]:
            running.add(batch)
        wait_for(lambda: running.trouble)
        assert "Another program is writing to it" in str(running.trouble)
        other.execute("ROLLBACK")
        wait_for(lambda: running.trouble is None)
        for batch in batches[20:]:
            running.add(batch)
        running.finish()
        back, blind = joined(list(book.recording(running.id).batches()))
        assert_same(edges, back)
        assert blind == []


@pytest.mark.usefixtures("quick")
def test_a_full_disk_is_said_what_was_committed_stays_and_it_recovers(tmp_path: Path) -> None:
    pages = [1 << 30]
    with Book.open(tmp_path / "b.sqlite") as book:
        # SQLite answers a page count over the limit exactly as it does a full disk.
        event.listen(book._store.engine, "begin", lambda c: c.exec_driver_sql(f"PRAGMA max_page_count={pages[0]}"))
        noise = np.random.default_rng(3).integers(1, 1 << 40, 60_000)
        edges = Edges(np.cumsum(noise), (np.arange(60_000) % 2).astype(np.uint8))
        batches = batches_of(edges, 6000)
        running = book.start_recording(CLOCK, ("crank",), {})
        running.add(batches[0])
        wait_for(lambda: book.recording(running.id).entry.edges == 6000)
        pages[0] = 1
        for batch in batches[1:]:
            running.add(batch)
        wait_for(lambda: running.trouble)
        assert "The disk is full" in str(running.trouble)
        assert len(joined(list(book.recording(running.id).batches()))[0]) == 6000
        pages[0] = 1 << 30
        wait_for(lambda: running.trouble is None)
        running.finish()
        assert_same(edges, joined(list(book.recording(running.id).batches()))[0])


@pytest.mark.usefixtures("quick")
def test_what_cannot_wait_any_longer_becomes_blind_time(tmp_path: Path) -> None:
    with Book.open(tmp_path / "b.sqlite") as book:
        running = Recorder(book._store, CLOCK, ("crank",), {}, rescue_at=tmp_path, most_waiting_bytes=30_000)
        batches = batches_of(square(10_000), 100)
        other = sqlite3.connect(book.where, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        for batch in batches[:90]:
            running.add(batch)
        assert running.dropped_batches >= 50
        other.execute("ROLLBACK")
        wait_for(lambda: running._waiting_bytes == 0 and running._incoming_bytes == 0)
        for batch in batches[90:]:
            running.add(batch)
            wait_for(lambda: running._incoming_bytes == 0)
        running.finish()
        stored = list(book.recording(running.id).batches())
    kept, blind = joined(stored)
    assert len(kept) == 100 * (100 - running.dropped_batches)
    assert {b.reason for b in blind} == {"book"}
    missing = np.setdiff1d(square(10_000).ticks, kept.ticks)
    assert len(missing) == 100 * running.dropped_batches
    for stretch in blind:  # no kept edge lies in a blind stretch
        assert not np.any((kept.ticks >= stretch.start_tick) & (kept.ticks < stretch.end_tick))
        missing = missing[(missing < stretch.start_tick) | (missing >= stretch.end_tick)]
    assert len(missing) == 0  # and no lost one outside


def test_a_loss_at_the_very_end_is_blind_too(tmp_path: Path) -> None:
    with Book.open(tmp_path / "b.sqlite") as book:
        running = Recorder(book._store, CLOCK, ("crank",), {}, rescue_at=tmp_path, most_waiting_bytes=10)
        (batch,) = batches_of(square(100), 100)
        running.add(batch)
        running.finish()
        (stored,) = book.recording(running.id).batches()
    assert stored.blind == (Blind(int(batch.edges["crank"].ticks[0]), batch.until_tick, "book"),)
    assert stored.until_tick == batch.until_tick


@pytest.mark.usefixtures("quick")
def test_a_commit_whose_answer_is_lost_is_not_written_twice(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The server commits and dies before it says so; then it is away for a while; then the same once more."""
    answers = iter(["lost", "away", "away", "lost", "good", "lost", "away"])
    whole = store.Store.writing

    @contextmanager
    def writing(self: store.Store) -> Iterator[Connection]:
        answer = next(answers, "good")
        if answer == "away":
            raise BookTrouble("The server does not answer")
        with whole(self) as connection:
            yield connection
        if answer == "lost":
            raise BookTrouble("The server does not answer")

    edges = square(4000)
    batches = batches_of(edges, 100)
    with Book.open(address) as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        monkeypatch.setattr(store.Store, "writing", writing)
        running.mark(3, "plug at the sensor")
        for batch in batches:
            running.add(batch)
            time.sleep(0.005)
        wait_for(lambda: next(answers, None) is None)
        running.finish()
        stored = book.recording(running.id)
        assert_same(edges, joined(list(stored.batches()))[0])
        assert stored.marks() == [(3, "plug at the sensor")]
        assert list(book.faults()) == []


@pytest.mark.usefixtures("quick")
def test_a_defect_in_the_source_is_said_and_raised_at_the_end(tmp_path: Path) -> None:
    with Book.open(tmp_path / "b.sqlite") as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        running.add(Batch(10, {"crank": Edges(np.array([5, 3]), np.array([0, 1], np.uint8))}))
        wait_for(lambda: running.trouble)
        running.add(Batch(20, {"crank": Edges(np.array([15]), np.array([1], np.uint8))}))
        with pytest.raises(BookTrouble, match="never fall"):
            running.finish()
        assert book.recording(running.id).entry.edges == 1


KILLED = """
import sys, time
import numpy as np
from toothwise.book import Book
from toothwise.edges.signal import Batch, Clock, Edges
book = Book.open(sys.argv[1])
running = book.start_recording(Clock(1000.0), ("crank",), {})
start = time.monotonic()
print("on", flush=True)
at = 0
while True:
    now = int((time.monotonic() - start) * 1e6)
    ticks = np.arange(at, now - now % 100, 100)
    at = now - now % 100
    running.add(Batch(at, {"crank": Edges(ticks, (ticks // 100 % 2).astype(np.uint8))}))
    print(at, flush=True)
    time.sleep(0.02)
"""


@pytest.mark.parametrize("after_s", [0.3, 1.77])
def test_a_kill_loses_less_than_a_second_and_the_book_opens(address: str, after_s: float) -> None:
    child = subprocess.Popen([sys.executable, "-c", KILLED, address], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    last = 0
    for line in child.stdout:
        if line.strip().isdecimal():
            last = int(line)
            if last > after_s * 1e6:
                os.kill(child.pid, signal.SIGKILL)
                break
    last = max([last] + [int(line) for line in child.stdout if line.strip().isdecimal()])
    child.wait()
    child.stdout.close()
    with Book.open(address) as book:
        (entry,) = book.recordings()
        assert entry.ended_utc is None
        batches = list(book.recording(entry.id).batches())
        assert list(book.faults()) == []
        until = batches[-1].until_tick if batches else 0
        assert last - until < 1_000_000
        edges, _ = joined(batches)
        np.testing.assert_array_equal(edges.ticks, np.arange(0, until, 100))


def test_cut_short_is_told_from_running(address: str) -> None:
    with Book.open(address) as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        assert book.recordings()[0].state == "running"
        with book._store.writing() as connection:
            connection.exec_driver_sql("UPDATE recordings SET written_utc = '2026-01-01T00:00:00.000000Z'")
        assert book.recordings()[0].state == "cut short"
        running.finish()
        assert book.recordings()[0].state == "finished"


def test_a_read_only_book_reads_and_says_why_it_does_not_write(tmp_path: Path) -> None:
    path = tmp_path / "b.sqlite"
    Book.open(path).close()
    with Book.open(path, read_only=True) as book:
        assert book.recordings() == []
        with pytest.raises(BookTrouble, match="read-only") as caught:
            book.start_recording(CLOCK, ("crank",), {})
    assert caught.value.exit_code == 5 and "\n" not in str(caught.value)


def test_files_that_are_no_books(tmp_path: Path) -> None:
    text = tmp_path / "text.sqlite"
    text.write_text("time_s,channel,level\n" * 100)
    with pytest.raises(BookTrouble, match="not a book"):
        Book.open(text)
    strange = tmp_path / "strange.sqlite"
    with sqlite3.connect(strange) as raw:
        raw.execute("CREATE TABLE stock (part)")
    with pytest.raises(BookTrouble, match="not a book of toothwise"):
        Book.open(strange)
    with pytest.raises(BookTrouble, match="cannot be used"):
        Book.open(tmp_path)
    with pytest.raises(BookTrouble):
        Book.open(tmp_path / "absent.sqlite", read_only=True)
    (tmp_path / "plain").write_text("")
    with pytest.raises(BookTrouble):
        Book.open(tmp_path / "plain" / "b.sqlite")


def test_a_damaged_page_is_reported_not_raised(tmp_path: Path) -> None:
    path = tmp_path / "b.sqlite"
    with Book.open(path) as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        for batch in batches_of(square(40_000), 1000):
            running.add(batch)
        running.finish()
        book.backup(tmp_path / "one.sqlite")
    data = bytearray((tmp_path / "one.sqlite").read_bytes())
    with closing(sqlite3.connect(tmp_path / "one.sqlite")) as raw:
        ((chunk,),) = raw.execute("SELECT data FROM chunks WHERE seq = 0")
    middle = len(chunk) // 2
    at = max(data.find(chunk[k : k + 40]) for k in (middle, middle + 40))  # one of them within a page
    page = at // 4096 * 4096
    data[page : page + 4096] = bytes(4096)
    (tmp_path / "one.sqlite").write_bytes(data)
    with Book.open(tmp_path / "one.sqlite") as book:
        assert len(list(book.faults())) > 0
