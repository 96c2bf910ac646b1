"""A recording read back from the book, chunk by chunk; the same to the tracker as a live rig or a file."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row, select

from toothwise.book import schema
from toothwise.book.advice import damaged
from toothwise.book.chunk import ChunkDamage, unpack
from toothwise.book.rows import from_text
from toothwise.book.store import Store
from toothwise.book.times import age_s
from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.errors import BookTrouble

_AT_ONCE = 8
"""Chunks fetched by one query: few enough that memory stays flat."""

_RUNNING_S = 5.0
"""An unfinished recording that was written to within this time counts as running."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A recording's line in the list."""

    id: int
    uid: str
    job_id: int | None
    started_utc: str
    ended_utc: str | None
    state: str
    """`finished`; `running`; `cut short` (the program or the computer stopped before the recording ended)."""
    span_s: float
    """From tick 0 to the last tick vouched for."""
    edges: int
    channels: tuple[str, ...]
    source: dict[str, Any]
    settings: dict[str, Any]
    examined: bool

    def as_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__} | {"channels": list(self.channels)}


ENTRY_COLUMNS = [column for column in schema.recordings.c if column is not schema.recordings.c.result]


def entry_of(row: Row[Any]) -> Entry:
    """A row of ENTRY_COLUMNS as an Entry. Raises BookTrouble where it cannot be one."""
    try:
        return _entry_of(row)
    except (ValueError, TypeError, ArithmeticError) as error:
        raise damaged(f"Recording {row.id}", str(error)) from None


def _entry_of(row: Row[Any]) -> Entry:
    if row.ended_utc is not None:
        state = "finished"
    else:
        state = "running" if abs(age_s(row.written_utc)) < _RUNNING_S else "cut short"
    return Entry(
        id=row.id,
        uid=row.uid,
        job_id=row.job_id,
        started_utc=row.started_utc,
        ended_utc=row.ended_utc,
        state=state,
        span_s=Clock(row.tick_ns).span_s(row.until_tick or 0),
        edges=row.edges,
        channels=tuple(from_text(row.channels, list)),
        source=from_text(row.source, dict),
        settings=from_text(row.settings, dict),
        examined=row.result_utc is not None,
    )


class StoredRecording:
    """Satisfies `edges.signal.Recording`. Read while it is being written, it gives what is committed."""

    def __init__(self, store: Store, row: Row[Any]) -> None:
        self._store = store
        self.entry = entry_of(row)
        self.id = self.entry.id
        self.clock = Clock(row.tick_ns, row.t0_s)
        self.channels = self.entry.channels
        self.source = self.entry.source
        self.settings = self.entry.settings
        self.result: dict[str, Any] | None = None if row.result is None else from_text(row.result, dict)
        """The JSON object of the last examination."""

    def batches(self) -> Iterator[Batch]:
        """One batch a chunk, in order. Raises BookTrouble at a chunk that is damaged or missing.

        No transaction stays open between batches, however slowly they are taken.
        """
        seq = 0
        while rows := self._chunks(seq):
            blinds = self._blinds(seq, rows[-1].seq)
            for row in rows:
                if row.seq != seq:
                    raise self._damage(seq, "its row is missing")
                try:
                    edges = unpack(self.channels, row.encoding, row.crc32, row.data)
                except ChunkDamage as damage:
                    raise self._damage(seq, str(damage)) from None
                yield Batch(row.until_tick, edges, tuple(blinds.get(seq, ())))
                seq += 1

    def _chunks(self, seq: int) -> list[Row[Any]]:
        chunks = schema.chunks
        wanted = (
            select(chunks)
            .where(chunks.c.recording_id == self.id, chunks.c.seq >= seq)
            .order_by(chunks.c.seq)
            .limit(_AT_ONCE)
        )
        with self._store.reading() as connection:
            return list(connection.execute(wanted))

    def _blinds(self, first_seq: int, last_seq: int) -> dict[int, list[Blind]]:
        blinds = schema.blinds
        wanted = (
            select(blinds)
            .where(blinds.c.recording_id == self.id, blinds.c.seq.between(first_seq, last_seq))
            .order_by(blinds.c.id)
        )
        found: dict[int, list[Blind]] = {}
        with self._store.reading() as connection:
            for row in connection.execute(wanted):
                found.setdefault(row.seq, []).append(Blind(row.start_tick, row.end_tick, row.reason, row.channel))
        return found

    def marks(self) -> list[tuple[int, str]]:
        """(tick, place), in order of time; a place holds until the next mark."""
        marks = schema.marks
        wanted = select(marks.c.tick, marks.c.place).where(marks.c.recording_id == self.id)
        with self._store.reading() as connection:
            return [(row.tick, row.place) for row in connection.execute(wanted.order_by(marks.c.tick, marks.c.id))]

    def notes(self) -> list[tuple[str, str]]:
        """(UTC, text), oldest first."""
        notes = schema.notes
        wanted = select(notes.c.written_utc, notes.c.text).where(notes.c.recording_id == self.id)
        with self._store.reading() as connection:
            return [(row.written_utc, row.text) for row in connection.execute(wanted.order_by(notes.c.id))]

    def events(self) -> list[dict[str, Any]]:
        """Rows of the events: those found live, or, once examined, those of the last examination."""
        events = schema.events
        wanted = select(events).where(events.c.recording_id == self.id).order_by(events.c.tick, events.c.id)
        with self._store.reading() as connection:
            rows = [dict(row._mapping) for row in connection.execute(wanted)]
        for row in rows:
            row["more"] = from_text(row["more"], dict)
            del row["id"], row["recording_id"]
        return rows

    def fingerprint(self) -> str:
        """SHA-256 over every tick, level and blind stretch; the same however it was cut into chunks.

        For each channel one hash over its ticks (int64, little-endian) and one over its levels (uint8); then
        one over those, the channel names, the clock, the last tick and the blind stretches in order.
        """
        hashes = {name: (hashlib.sha256(), hashlib.sha256()) for name in self.channels}
        until_tick: int | None = None
        blinds: list[tuple[int, int, str, str]] = []
        for batch in self.batches():
            until_tick = batch.until_tick
            blinds += [(b.start_tick, b.end_tick, b.reason, b.channel or "") for b in batch.blind]
            for name, edges in batch.edges.items():
                _add(hashes[name], edges)
        whole = hashlib.sha256(repr((self.clock.tick_ns, self.clock.t0_s, until_tick, sorted(blinds))).encode())
        for name, (ticks, levels) in hashes.items():
            whole.update(name.encode() + ticks.digest() + levels.digest())
        return whole.hexdigest()

    def _damage(self, seq: int, cause: str) -> BookTrouble:
        return damaged(f"Chunk {seq} of recording {self.id} in the book {self._store.where}", cause)


def _add(hashes: tuple[Any, Any], edges: Edges) -> None:
    hashes[0].update(edges.ticks.astype("<i8").tobytes())
    hashes[1].update(edges.levels.tobytes())
