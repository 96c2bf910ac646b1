"""What can befall a book, made on purpose: each is one line with exit code 5, and what was committed is there."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack, closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from toothwise.book import Book, recorder, schema, times
from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.errors import BookTrouble

from tests.book.server import Cluster, programs
from tests.book.signals import assert_same, batches_of, joined, square
from tests.book.test_migrate import old_book
from tests.book.test_trouble import KILLED, wait_for
from tests.hardening import book_damage
from tests.hardening.full_disk import private_mounts
from tests.parts import need

CLOCK = Clock(16.0)


def toothwise(*arguments: str | Path, prefix: tuple[str, ...] = (), **more: Any) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of a command."""
    command = [*prefix, sys.executable, "-m", "toothwise", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, **more)
    return done.returncode, done.stdout, done.stderr


def is_one_line(ending: tuple[int, str, str], says: str) -> None:
    code, out, line = ending
    assert (code, out) == (5, ""), line
    assert line.startswith("toothwise: ") and line.count("\n") == 1 and says in line


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A book with recording 7 in it."""
    path = tmp_path / "book.sqlite"
    old_book(str(path), 1)
    Book.open(path).close()
    return path


@pytest.mark.parametrize(("how", "says"), [("limit", "the room on it"), ("disk", "The disk is full")])
def test_a_full_disk_is_said_and_the_recording_catches_up(tmp_path: Path, how: str, says: str) -> None:
    prefix = private_mounts() if how == "disk" else ()
    need("the right to mount a small disk (unshare)", prefix is not None)
    command = [*(prefix or ()), sys.executable, "-m", "tests.hardening.full_disk", how, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert says in done.stdout and done.stdout.count("\n") == 1


def test_a_full_disk_at_the_start_is_one_line(tmp_path: Path) -> None:
    prefix = private_mounts()
    need("the right to mount a small disk (unshare)", prefix is not None)
    code = (
        "import subprocess, sys; from pathlib import Path; from tests.hardening.full_disk import fill, small_disk\n"
        "place = Path(sys.argv[1]); small_disk(place); fill(place)\n"
        "book = ['book', 'list', '--book', str(place / 'b.sqlite')]\n"
        "sys.exit(subprocess.run([sys.executable, '-m', 'toothwise', *book]).returncode)"
    )
    command = [*(prefix or ()), sys.executable, "-c", code, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    is_one_line((done.returncode, done.stdout, done.stderr), "The disk is full")


def test_a_locked_book_is_read_and_not_written(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert toothwise("book", "list", "--book", path)[0] == 0
        is_one_line(toothwise("book", "note", "7", "x", "--book", path), "Another program is writing to it")
        other.execute("ROLLBACK")
    assert toothwise("book", "note", "7", "x", "--book", path) == (0, "", "")


def test_a_read_only_book_is_read_and_not_written(path: Path, tmp_path: Path) -> None:
    prefix: tuple[str, ...] = ()
    if os.geteuid() == 0:  # who may write everywhere, unless that right is laid down
        need("setpriv, to be as weak as other users", shutil.which("setpriv") is not None)
        prefix = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")
    place = tmp_path / "read-only"
    place.mkdir()
    path = path.rename(place / "book.sqlite")
    path.chmod(0o444)
    place.chmod(0o555)
    try:
        is_one_line(toothwise("book", "note", "7", "x", "--book", path, prefix=prefix), "read-only")
        code, out, line = toothwise("book", "list", "--book", path, prefix=prefix)
        assert (code, line) == (0, "") and "finished" in out
        for command in (("check",), ("backup", tmp_path / "copy.sqlite")):
            assert toothwise("book", *command, "--book", path, prefix=prefix)[0] == 0
    finally:
        place.chmod(0o755)


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (lambda data: data[: len(data) // 2], "damaged"),
        (lambda data: bytes(100) + data[100:], "not a book"),
        (lambda data: data[:100] + bytes(4000) + data[4100:], "damaged"),
        (lambda data: b"time_s,channel,level\n" * 500, "not a book"),
    ],
    ids=["cut off", "without its head", "without its list of tables", "another file"],
)
def test_a_corrupted_book_is_one_line(path: Path, harm: Callable[[bytes], bytes], says: str) -> None:
    path.write_bytes(harm(path.read_bytes()))
    for command in (("list",), ("check",)):
        is_one_line(toothwise("book", *command, "--book", path), says)


def test_whatever_is_damaged_in_a_book_no_defect_shows(tmp_path: Path) -> None:
    defects, refused, read = book_damage.campaign(tmp_path, books=40, seed=1)
    assert defects == []
    assert refused and read  # some of it can be read


def test_a_newer_book_is_one_line(path: Path) -> None:
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE about SET value = ?", (str(schema.VERSION + 1),))
        raw.commit()
    before = path.read_bytes()
    is_one_line(toothwise("book", "list", "--book", path), "written by a newer toothwise. Run: python -m pip install")
    assert path.read_bytes() == before


class Wrong(datetime):
    """A clock that somebody sets."""

    moment = datetime(2026, 11, 25, 12, tzinfo=UTC)

    @classmethod
    def now(cls, tz: Any = None) -> datetime:
        return cls.moment


@pytest.mark.parametrize("by", [timedelta(0), timedelta(days=-1), timedelta(days=400)], ids=["still", "back", "ahead"])
def test_a_clock_that_is_set_changes_nothing_in_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, by: timedelta
) -> None:
    monkeypatch.setattr(times, "datetime", Wrong)
    monkeypatch.setattr(Wrong, "moment", datetime(2026, 11, 25, 12, tzinfo=UTC))
    monkeypatch.setattr(recorder, "COMMIT_EVERY_S", 0.02)
    edges = square(4000)
    batches = batches_of(edges, 100)
    with Book.open(tmp_path / "b.sqlite") as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        for batch in batches[:20]:
            running.add(batch)
        wait_for(lambda: book.recording(running.id).entry.edges == 2000)
        monkeypatch.setattr(Wrong, "moment", Wrong.moment + by)
        for batch in batches[20:]:
            running.add(batch)
        wait_for(lambda: book.recording(running.id).entry.edges == 4000)
        assert book.recordings()[0].state == "running"
        running.finish()
        assert_same(edges, joined(list(book.recording(running.id).batches()))[0])
        (entry,) = book.recordings()
        assert entry.state == "finished" and entry.span_s == CLOCK.span_s(batches[-1].until_tick)
        assert list(book.faults()) == []


def test_a_commit_that_fails_while_the_clock_stands_still_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The time of the last commit tells whether it was kept: two must never have the same."""
    monkeypatch.setattr(times, "datetime", Wrong)
    edges = square(300)
    with Book.open(tmp_path / "b.sqlite") as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        writer, lots = running._writer, []
        for batch in batches_of(edges, 100):
            running.add(batch)
            running._pack_incoming()
            lots = [*running._waiting]
            with monkeypatch.context() as failing:
                failing.setattr(writer, "_update", lambda *_: 1 / 0)
                with pytest.raises(ZeroDivisionError):
                    writer.write(lots)
            writer.write(lots)
            running._waiting.clear()
        running.finish()
        assert_same(edges, joined(list(book.recording(running.id).batches()))[0])


def test_a_book_that_is_moved_away_is_said_and_gets_all_once_it_is_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder, "COMMIT_EVERY_S", 0.02)
    monkeypatch.setattr(recorder, "RETRY_EVERY_S", 0.02)
    path, away = tmp_path / "b.sqlite", tmp_path / "away.sqlite"
    edges = square(2000)
    batches = batches_of(edges, 100)
    with Book.open(path) as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        running.add(batches[0])
        wait_for(lambda: book.recording(running.id).entry.edges == 100)
        path.rename(away)
        for batch in batches[1:]:
            running.add(batch)
        wait_for(lambda: running.trouble)
        assert "is not where it was" in str(running.trouble)
        away.rename(path)
        wait_for(lambda: running.trouble is None)
        running.finish()
        assert_same(edges, joined(list(book.recording(running.id).batches()))[0])
        path.unlink()
        with pytest.raises(BookTrouble, match="is not where it was"):
            book.add_note(running.id, "x")


@pytest.mark.parametrize("kind", ["moved file", "dead server"])
def test_a_book_that_does_not_come_back_loses_nothing_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    monkeypatch.setattr(recorder, "COMMIT_EVERY_S", 0.02)
    monkeypatch.setattr(recorder, "RETRY_EVERY_S", 0.02)
    monkeypatch.setattr(recorder, "LAST_TRIES_S", 0.1)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    need("PostgreSQL", kind == "moved file" or programs() is not None)
    path = tmp_path / "b.sqlite"
    edges = square(2000)
    batches = batches_of(edges, 100)
    with ExitStack() as stack:
        cluster = stack.enter_context(Cluster()) if kind == "dead server" else None
        book = stack.enter_context(Book.open(cluster.address() if cluster else path))
        running = book.start_recording(CLOCK, ("crank",), {"rig": "here"}, settings={"wheel": "60-2"})
        for batch in batches[:5]:
            running.add(batch)
        wait_for(lambda: book.recording(running.id).entry.edges == 500)
        first = joined(list(book.recording(running.id).batches()))[0]
        if cluster:
            cluster.kill()
        else:
            path.rename(tmp_path / "away.sqlite")
        running.add(Batch(batches[5].until_tick, batches[5].edges, (Blind(3, 4, "drop"),)))
        running.mark(7, "plug at the sensor")
        wait_for(lambda: running.trouble)
        for batch in batches[6:]:
            running.add(batch)
        with pytest.raises(BookTrouble, match="lacks its end there") as caught:
            running.finish({"schema": 1})
    with Book.open(caught.value.step.rpartition("--book ")[2]) as rest:
        (entry,) = rest.recordings()
        assert entry.source["end_of"]["recording"] == running.id and entry.state == "finished"
        stored = rest.recording(entry.id)
        last, blind = joined(list(stored.batches()))
        assert_same(edges, Edges.join([first, last]))
        assert blind == [Blind(3, 4, "drop")]
        assert (stored.marks(), stored.result) == ([(7, "plug at the sensor")], {"schema": 1})
        assert list(rest.faults()) == []


@pytest.mark.parametrize("thaw", [True, False], ids=["for a while", "for good"])
def test_a_server_that_stands_still_is_said_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, thaw: bool
) -> None:
    """It answers nothing, and its connections stay open: nothing fails that could be told."""
    monkeypatch.setattr(recorder, "COMMIT_EVERY_S", 0.02)
    monkeypatch.setattr(recorder, "SLOW_S", 0.2)
    monkeypatch.setattr(recorder, "LAST_TRIES_S", 0.3)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    need("PostgreSQL", programs() is not None)
    edges = square(2000)
    batches = batches_of(edges, 100)
    with Cluster() as cluster, Book.open(cluster.address()) as book:
        running = book.start_recording(CLOCK, ("crank",), {})
        for batch in batches[:5]:
            running.add(batch)
        wait_for(lambda: book.recording(running.id).entry.edges == 500)
        cluster.freeze()
        for batch in batches[5:]:
            running.add(batch)
        wait_for(lambda: running.trouble)
        assert "has not answered for" in str(running.trouble)
        if thaw:
            cluster.freeze(thaw=True)
            wait_for(lambda: running.trouble is None)
            running.finish()
            assert_same(edges, joined(list(book.recording(running.id).batches()))[0])
            return
        with pytest.raises(BookTrouble, match="lacks its end there") as caught:
            running.finish()
        cluster.freeze(thaw=True)
    with Book.open(caught.value.step.rpartition("--book ")[2]) as rest:
        (entry,) = rest.recordings()
        last = joined(list(rest.recording(entry.id).batches()))[0].ticks
        np.testing.assert_array_equal(last, edges.ticks[-len(last) :])
        assert len(last) >= 1400  # all but the first 500, and one batch that may have been on its way


def test_two_tools_record_into_one_book_while_a_third_reads(tmp_path: Path) -> None:
    path = tmp_path / "b.sqlite"
    children = [
        subprocess.Popen([sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE, text=True) for _ in range(2)
    ]
    try:
        for child in children:
            assert child.stdout
            assert child.stdout.readline() == "on\n"
        end = time.monotonic() + 2.0
        while time.monotonic() < end:
            code, out, line = toothwise("book", "list", "--book", path)
            assert (code, line) == (0, "") and out.count("\n") == 3
    finally:
        said = []
        for child in children:
            child.send_signal(signal.SIGKILL)
            assert child.stdout
            said.append(max(int(line) for line in child.stdout if line.strip().isdecimal()))
            child.wait()
            child.stdout.close()
    with Book.open(path) as book:
        assert list(book.faults()) == []
        for entry, last in zip(sorted(book.recordings(), key=lambda e: e.id), sorted(said), strict=True):
            ticks = joined(list(book.recording(entry.id).batches()))[0].ticks
            np.testing.assert_array_equal(ticks, np.arange(0, len(ticks)) * 100)
            assert last / 1e6 - len(ticks) / 1e4 < 1.5  # a second, and which of the two is which
