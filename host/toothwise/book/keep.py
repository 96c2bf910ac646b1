"""Caring for the book: backup while in use, integrity, deleting."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path

from sqlalchemy import URL, select

from toothwise.book import schema
from toothwise.book.advice import trouble_of
from toothwise.book.chunk import ChunkDamage, unpack
from toothwise.book.copying import copy_book
from toothwise.book.rows import from_text
from toothwise.book.store import Store
from toothwise.book.stored import ENTRY_COLUMNS, StoredRecording, entry_of
from toothwise.errors import BookTrouble
from toothwise.whole import whole_file


def backup(store: Store, target: Path, progress: Callable[[int, int], None] | None = None) -> None:
    """A consistent copy of a book in one SQLite file, while others read and write it.

    `progress(done, of)` is called with the number of rows, where the book is on a server.
    Raises BookTrouble if the target exists, cannot be written, or the copy does not check.
    """
    if target.exists():
        raise BookTrouble(f"{target} exists already", cause="A backup never overwrites", step="Choose another name")
    with whole_file(target, BookTrouble) as part:
        part.unlink(missing_ok=True)
        try:
            _copy(store, part, progress)
        except sqlite3.Error as error:
            raise trouble_of(error, str(target)) from error
        finally:
            for end in ("-wal", "-shm"):
                with suppress(OSError):
                    part.with_name(part.name + end).unlink(missing_ok=True)


def _copy(store: Store, part: Path, progress: Callable[[int, int], None] | None) -> None:
    if store.file is None:
        with closing(Store(URL.create("sqlite", database=str(part)))) as made:
            copy_book(store, made, progress)
    with closing(sqlite3.connect(part)) as copy:
        if store.file is not None:
            with closing(store.file_reader()) as source:
                source.backup(copy)  # all pages in one step: a reader's snapshot, which no writer disturbs
        copy.execute("PRAGMA journal_mode=DELETE")  # the copy is one file, without a log beside it
        faults = [str(row[0]) for row in copy.execute("PRAGMA quick_check") if row[0] != "ok"]
    if faults:
        raise BookTrouble("The backup is damaged", cause=faults[0], step="Run 'toothwise book check'")


def faults(store: Store, progress: Callable[[int, int], None] | None = None) -> Iterator[str]:
    """Check everything; a line for each thing that is wrong.

    `progress(done, of)` is called with the number of recordings.
    """
    try:
        if store.file is not None:
            with closing(store.file_reader()) as raw:
                yield from (f"database: {r[0]}" for r in raw.execute("PRAGMA integrity_check") if r[0] != "ok")
                for table, row, parent, _ in raw.execute("PRAGMA foreign_key_check"):
                    yield f"database: row {row} of {table} refers to a row of {parent} that is not there"
        with store.reading() as connection:
            ids = list(connection.execute(select(schema.recordings.c.id).order_by(schema.recordings.c.id)).scalars())
        for done, recording_id in enumerate(ids):
            if progress:
                progress(done, len(ids))
            try:
                yield from _faults_of(store, recording_id)
            except BookTrouble as trouble:
                yield f"recording {recording_id}: {trouble}"
        if progress:
            progress(len(ids), len(ids))
        yield from _unreadable(store)
    except sqlite3.Error as error:
        yield f"database: {trouble_of(error, store.where)}"
    except BookTrouble as trouble:
        yield f"database: {trouble}"


def _faults_of(store: Store, recording_id: int) -> Iterator[str]:
    recordings, chunks = schema.recordings, schema.chunks
    with store.reading() as connection:
        row = connection.execute(select(recordings).where(recordings.c.id == recording_id)).one_or_none()
        if row is None:  # deleted meanwhile
            return
        recording = StoredRecording(store, row)
        edges, expected = 0, 0
        rows = connection.execution_options(yield_per=16).execute(
            select(chunks).where(chunks.c.recording_id == recording_id).order_by(chunks.c.seq)
        )
        for chunk in rows:
            if chunk.seq != expected:
                yield f"recording {recording_id}: chunks {expected} to {chunk.seq - 1} are missing"
            expected = chunk.seq + 1
            edges += chunk.edges
            try:
                unpacked = unpack(recording.channels, chunk.encoding, chunk.crc32, chunk.data)
                if sum(map(len, unpacked.values())) != chunk.edges:
                    yield f"recording {recording_id}, chunk {chunk.seq}: its number of edges is wrong"
            except ChunkDamage as damage:
                yield f"recording {recording_id}, chunk {chunk.seq}: {damage}"
        if (row.chunks, row.edges) != (expected, edges):
            yield (
                f"recording {recording_id}: {expected} chunks with {edges} edges are there,"
                f" {row.chunks} with {row.edges} were written"
            )


_JSON = (
    (schema.events.c.more, dict),
    (schema.measures.c.about, dict),
    (schema.settings.c.value, object),
    (schema.wheels.c.body, dict),
    (schema.bench_results.c.reasons, list),
    (schema.bench_results.c.more, dict),
    (schema.bench_measures.c.more, dict),
)
"""What else must hold JSON, of which kind; what stands in `recordings` is read with them."""


def _unreadable(store: Store) -> Iterator[str]:
    for column, kind in _JSON:
        with store.reading() as connection:
            texts = connection.execution_options(yield_per=1000).execute(select(column).distinct())
            for (text,) in texts:
                try:
                    from_text(text, kind)
                except BookTrouble as trouble:
                    yield f"{column.table.name}, {column.name}: {trouble}"


def delete_recording(store: Store, recording_id: int) -> None:
    """Remove a recording with all that hangs on it. Raises BookTrouble if it is absent or running."""
    recordings = schema.recordings
    with store.writing() as connection:
        row = connection.execute(select(*ENTRY_COLUMNS).where(recordings.c.id == recording_id)).one_or_none()
        if row is None:
            raise no_such("recording", recording_id, store)
        if entry_of(row).state == "running":
            raise BookTrouble(
                f"Recording {recording_id} is still running",
                cause="A program is writing it",
                step="Stop that program first",
            )
        connection.execute(recordings.delete().where(recordings.c.id == recording_id))


def no_such(what: str, number: int | str, store: Store) -> BookTrouble:
    """The trouble for a row that is not there."""
    return BookTrouble(
        f"There is no {what} {number} in the book {store.where}",
        cause="It was never there, or it was deleted",
        step="'toothwise book list' shows what is there",
    )
