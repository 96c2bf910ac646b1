"""The log book: everything that was recorded and found, in one file."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import select

from toothwise.book import compare, contents, keep, schema
from toothwise.book.bench_results import BenchResults
from toothwise.book.copying import copy_book
from toothwise.book.jobs import Jobs
from toothwise.book.recorder import Recorder
from toothwise.book.rows import as_text, from_text, keep_result, mentions, put_row
from toothwise.book.store import Store, address_of
from toothwise.book.stored import ENTRY_COLUMNS, Entry, StoredRecording, entry_of
from toothwise.book.times import now_utc
from toothwise.book.writer import Lot, Writer
from toothwise.edges.signal import Clock, Recording
from toothwise.errors import BookTrouble


def default_path() -> Path:
    """The book used when none is named: in this system's place for a user's data."""
    from platformdirs import user_data_path

    return user_data_path("toothwise", appauthor=False) / "book.sqlite"


class Book:
    """An open book. Every method raises BookTrouble when the book cannot do what it is asked."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.jobs = Jobs(store)
        self.bench = BenchResults(store)

    @classmethod
    def open(cls, where: str | Path | None = None, *, read_only: bool = False) -> Book:
        """Open, or make, the book at a path or database address; without one, this user's own.

        An older book is brought up to date (a copy is kept beside it); a newer one is refused.
        """
        if where is None:
            where = default_path()
        return cls(Store(address_of(where), read_only=read_only))

    @property
    def where(self) -> str:
        """Path or address, without a password."""
        return self._store.where

    def close(self) -> None:
        self._store.close()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    # Recordings

    def start_recording(
        self,
        clock: Clock,
        channels: Sequence[str],
        source: Mapping[str, Any],
        job: int | None = None,
        settings: Mapping[str, Any] | None = None,
    ) -> Recorder:
        """Begin a live recording; see `recorder.Recorder`."""
        rescue_at = default_path().parent
        return Recorder(self._store, clock, channels, source, job, settings, rescue_at=rescue_at)

    def keep_recording(
        self,
        recording: Recording,
        job: int | None = None,
        settings: Mapping[str, Any] | None = None,
        result: Mapping[str, Any] | None = None,
        progress: Callable[[int], None] | None = None,
    ) -> int:
        """Copy a whole recording (a file's, another book's) into the book, or nothing of it; its number.

        `progress(edges)` is called after each batch with the number of edges kept so far.
        """
        writer = Writer(self._store, recording.clock, recording.channels, recording.source, job, settings or {})
        edges = 0
        try:
            for batch in recording.batches():
                lot = Lot()
                writer.add(lot, [batch])
                writer.write([lot])
                edges += sum(map(len, batch.edges.values()))
                if progress:
                    progress(edges)
            writer.write([], ended=True, result=result)
        except BaseException:  # Ctrl-C, too: half a file is no recording
            with contextlib.suppress(BookTrouble):
                writer.discard()
            raise
        return writer.id

    def recording(self, recording_id: int) -> StoredRecording:
        """A recording to be read; it satisfies `edges.signal.Recording`."""
        table = schema.recordings
        with self._store.reading() as connection:
            row = connection.execute(select(table).where(table.c.id == recording_id)).one_or_none()
        if row is None:
            raise keep.no_such("recording", recording_id, self._store)
        return StoredRecording(self._store, row)

    def recordings(self, search: str = "", *, job: int | None = None, limit: int = 100, skip: int = 0) -> list[Entry]:
        """Newest first; with `search`, those whose source, settings, notes, marks or job hold it."""
        table = schema.recordings
        wanted = select(*ENTRY_COLUMNS).order_by(table.c.started_utc.desc(), table.c.id.desc())
        if job is not None:
            wanted = wanted.where(table.c.job_id == job)
        if search:
            jobs, notes, marks = schema.jobs, schema.notes, schema.marks
            wanted = wanted.where(
                mentions(search, [table.c.source, table.c.settings])
                | table.c.id.in_(select(notes.c.recording_id).where(mentions(search, [notes.c.text])))
                | table.c.id.in_(select(marks.c.recording_id).where(mentions(search, [marks.c.place])))
                | table.c.job_id.in_(select(jobs.c.id).where(mentions(search, [jobs.c.title, jobs.c.body])))
            )
        with self._store.reading() as connection:
            return [entry_of(row) for row in connection.execute(wanted.limit(limit).offset(skip))]

    def keep_result(self, recording_id: int, result: Mapping[str, Any]) -> None:
        """Store the JSON object of an examination with its recording, in place of an earlier one."""
        clock = self.recording(recording_id).clock
        with self._store.writing() as connection:
            keep_result(connection, recording_id, clock, result)

    def assign(self, recording_id: int, job: int | None) -> None:
        """Put a recording under a job, or under none."""
        self.recording(recording_id)
        if job is not None:
            self.jobs.get(job)
        table = schema.recordings
        with self._store.writing() as connection:
            connection.execute(table.update().where(table.c.id == recording_id).values(job_id=job))

    def add_note(self, recording_id: int, text: str) -> None:
        """A line of text with the present time, about a recording."""
        self.recording(recording_id)
        row = {"recording_id": recording_id, "text": text, "written_utc": now_utc()}
        with self._store.writing() as connection:
            connection.execute(schema.notes.insert().values(row))

    def compare(self, first: int, second: int) -> dict[str, Any]:
        """Two examined recordings side by side; see `compare.compare_results`."""
        results = []
        for recording_id in (first, second):
            result = self.recording(recording_id).result
            if result is None:
                raise BookTrouble(
                    f"Recording {recording_id} has not been examined",
                    cause="There is nothing to compare yet",
                    step="Examine it first",
                )
            results.append(result)
        return {"a": first, "b": second, **compare.compare_results(*results)}

    def contents(self, recording_id: int) -> dict[str, int]:
        """What goes with a recording when it is deleted, counted; see `contents.of_recording`."""
        return contents.of_recording(self._store, recording_id)

    def findings(self, recordings: Iterable[int]) -> dict[int, int]:
        """How many findings that speak of a fault each recording has; see `contents.findings`."""
        return contents.findings(self._store, recordings)

    def delete(self, recording_id: int) -> None:
        """Remove a recording and all that hangs on it. A running one is refused."""
        keep.delete_recording(self._store, recording_id)

    # Care

    def backup(self, target: str | Path, progress: Callable[[int, int], None] | None = None) -> None:
        """A consistent copy in one file, also while a recording runs. Never overwrites."""
        keep.backup(self._store, Path(target), progress)

    def copy_to(self, target: Book, progress: Callable[[int, int], None] | None = None) -> None:
        """Everything into another, empty book, from a file to a server or back; see `copying.copy_book`."""
        copy_book(self._store, target._store, progress)

    def faults(self, progress: Callable[[int, int], None] | None = None) -> Iterator[str]:
        """Check the whole book; a line for each thing that is wrong, none when it is sound."""
        return keep.faults(self._store, progress)

    # Settings and learnt wheels

    def setting(self, key: str, default: Any = None) -> Any:
        """A setting's value, or `default`."""
        table = schema.settings
        with self._store.reading() as connection:
            text = connection.execute(select(table.c.value).where(table.c.key == key)).scalar()
        return default if text is None else from_text(text, object)

    def set_setting(self, key: str, value: Any) -> None:
        """Keep a setting; any value JSON can hold."""
        table = schema.settings
        with self._store.writing() as connection:
            put_row(connection, table, "key", {"key": key, "value": as_text(value)})

    def keep_wheel(self, name: str, wheel: Mapping[str, Any]) -> None:
        """Keep a learnt wheel under a name, in place of an earlier one of that name."""
        table = schema.wheels
        with self._store.writing() as connection:
            put_row(connection, table, "name", {"name": name, "learnt_utc": now_utc(), "body": as_text(wheel)})

    def wheel(self, name: str) -> dict[str, Any] | None:
        """A learnt wheel, or None."""
        table = schema.wheels
        with self._store.reading() as connection:
            text = connection.execute(select(table.c.body).where(table.c.name == name)).scalar()
        return None if text is None else from_text(text, dict)

    def wheels(self) -> list[str]:
        """The names of the learnt wheels."""
        with self._store.reading() as connection:
            return list(connection.execute(select(schema.wheels.c.name).order_by(schema.wheels.c.name)).scalars())
