"""Batches to rows: what both the live recorder and the import of a file write, and in which pieces."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

import numpy as np
from sqlalchemy import Connection, Table, select

from toothwise.book import schema
from toothwise.book.chunk import MOST_EDGES, Packed, pack
from toothwise.book.rows import as_text, insert_row, keep_result
from toothwise.book.store import Store
from toothwise.book.times import next_utc, now_utc
from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.records import Event


@dataclass(slots=True)
class Lot:
    """What the next transaction writes. Once made, it can be tried again and again."""

    chunks: list[tuple[int, int, Packed]] = field(default_factory=list)  # seq, until_tick, bytes
    blinds: list[tuple[int, Blind]] = field(default_factory=list)  # seq, stretch
    marks: list[tuple[int, str]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    notes: list[tuple[str, str]] = field(default_factory=list)  # UTC, text

    def __bool__(self) -> bool:
        return bool(self.chunks or self.marks or self.events or self.notes)

    @property
    def size(self) -> int:
        """Bytes of edges it keeps in memory."""
        return sum(len(packed.data) for _, _, packed in self.chunks)


class Writer:
    """Writes one recording, from the thread that calls it. Raises BookTrouble."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        channels: Sequence[str],
        source: Mapping[str, Any],
        job: int | None,
        settings: Mapping[str, Any],
    ) -> None:
        self._store = store
        self._clock = clock
        self._channels = tuple(channels)
        self._tries: dict[str, int] = {}  # since the last success: the time each left as written_utc, its lots
        self._next_seq = 0
        self._until_tick: int | None = None
        self.uid = uuid4().hex
        self._written = now = now_utc()
        with store.writing() as connection:
            row = {
                "uid": self.uid,
                "job_id": job,
                "started_utc": now,
                "written_utc": now,
                "tick_ns": clock.tick_ns,
                "t0_s": clock.t0_s,
                "channels": as_text(self._channels),
                "source": as_text(source),
                "settings": as_text(settings),
                "chunks": 0,
                "edges": 0,
            }
            self.id = insert_row(connection, schema.recordings, row)

    def add(self, lot: Lot, batches: Sequence[Batch]) -> None:
        """Put batches, packed, into a lot. Each chunk becomes one batch again when it is read."""
        if not batches:
            return
        for until_tick, edges, blind in self._pieces(batches):
            lot.chunks.append((self._next_seq, until_tick, pack(self._channels, edges)))
            lot.blinds += [(self._next_seq, stretch) for stretch in blind]
            self._next_seq += 1
            self._until_tick = until_tick

    def _pieces(self, batches: Sequence[Batch]) -> Iterator[tuple[int, dict[str, Edges], list[Blind]]]:
        """Cut what came so that a piece has at most MOST_EDGES (more only where they share one tick)."""
        strange = {name for batch in batches for name in batch.edges} - set(self._channels)
        if strange:
            raise ValueError(f"edges of channels the recording does not have: {', '.join(sorted(strange))}")
        until_tick = batches[-1].until_tick
        blind = [stretch for batch in batches for stretch in batch.blind]
        edges = {
            name: Edges.join([batch.edges[name] for batch in batches if name in batch.edges]) for name in self._channels
        }
        total = sum(map(len, edges.values()))
        if total <= MOST_EDGES:
            yield until_tick, edges, blind
            return
        every = np.sort(np.concatenate([of_channel.ticks for of_channel in edges.values()]))
        cuts = np.unique(every[MOST_EDGES::MOST_EDGES])
        floor = self._until_tick if self._until_tick is not None else int(every[0])
        begin = dict.fromkeys(edges, 0)
        for cut in [int(c) for c in cuts if floor < c < until_tick] + [None]:
            piece = {}
            for name, of_channel in edges.items():
                end = len(of_channel) if cut is None else int(np.searchsorted(of_channel.ticks, cut))
                piece[name] = Edges(of_channel.ticks[begin[name] : end], of_channel.levels[begin[name] : end])
                begin[name] = end
            stop = until_tick if cut is None else cut
            yield stop, piece, [s for s in blind if cut is None or s.start_tick < stop]
            blind = [s for s in blind if cut is not None and s.start_tick >= stop]

    def discard(self) -> None:
        """Take the whole recording out of the book again."""
        with self._store.writing() as connection:
            connection.execute(schema.recordings.delete().where(schema.recordings.c.id == self.id))

    def write(self, lots: Sequence[Lot], *, ended: bool = False, result: Mapping[str, Any] | None = None) -> None:
        """Commit lots, all or none.

        A server lost at the very commit leaves open which of the two it was: then the next call looks, and leaves
        out what is there already. Lots that were tried must come again, in the same order, new ones behind them.
        """
        now = next_utc({self._written, *self._tries})
        with self._store.writing() as connection:
            kept = self._kept_already(connection)
            self._tries[now] = len(lots)
            self._insert(connection, lots[kept:])
            self._update(connection, [chunk for lot in lots[kept:] for chunk in lot.chunks], now, ended)
            if result is not None:
                keep_result(connection, self.id, self._clock, result)
        self._written = now
        self._tries.clear()

    def _kept_already(self, connection: Connection) -> int:
        """How many of the lots, from the first, an attempt that seemed to fail has written all the same."""
        if not self._tries:
            return 0
        written = select(schema.recordings.c.written_utc).where(schema.recordings.c.id == self.id)
        return self._tries.get(connection.execute(written).scalar() or "", 0)

    def _insert(self, connection: Connection, lots: Sequence[Lot]) -> None:
        own = {"recording_id": self.id}
        rows: dict[Table, list[dict[str, Any]]] = {
            schema.chunks: [own | _chunk_row(*chunk) for lot in lots for chunk in lot.chunks],
            schema.blinds: [own | _blind_row(*blind) for lot in lots for blind in lot.blinds],
            schema.marks: [own | {"tick": tick, "place": place} for lot in lots for tick, place in lot.marks],
            schema.events: [own | _event_row(event) for lot in lots for event in lot.events],
            schema.notes: [own | {"written_utc": utc, "text": text} for lot in lots for utc, text in lot.notes],
        }
        for table, of_table in rows.items():
            if of_table:
                connection.execute(table.insert(), of_table)

    def _update(self, connection: Connection, chunks: Sequence[tuple[int, int, Packed]], now: str, ended: bool) -> None:
        recordings = schema.recordings
        changes: dict[Any, Any] = {recordings.c.written_utc: now}
        if chunks:
            changes[recordings.c.until_tick] = chunks[-1][1]
            changes[recordings.c.chunks] = recordings.c.chunks + len(chunks)
            changes[recordings.c.edges] = recordings.c.edges + sum(packed.edges for _, _, packed in chunks)
        if ended:
            changes[recordings.c.ended_utc] = now
        connection.execute(recordings.update().where(recordings.c.id == self.id).values(changes))


def _chunk_row(seq: int, until_tick: int, packed: Packed) -> dict[str, Any]:
    return {
        "seq": seq,
        "until_tick": until_tick,
        "edges": packed.edges,
        "encoding": packed.encoding,
        "crc32": packed.crc32,
        "data": packed.data,
    }


def _blind_row(seq: int, blind: Blind) -> dict[str, Any]:
    return {
        "seq": seq,
        "start_tick": blind.start_tick,
        "end_tick": blind.end_tick,
        "reason": blind.reason,
        "channel": blind.channel,
    }


def _event_row(event: Event) -> dict[str, Any]:
    return {
        "kind": event.kind,
        "channel": event.channel,
        "tick": event.tick,
        "end_tick": event.end_tick,
        "revolution": event.revolution,
        "tooth": event.tooth,
        "angle_deg": event.angle_deg,
        "count": event.count,
        "level": event.level,
        "more": as_text(event.more),
    }
