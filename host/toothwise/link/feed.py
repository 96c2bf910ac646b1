"""Batches of edges to the stream that a rig without a board replays (see PROTOCOL.md, "Without a board")."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from toothwise.edges.signal import Batch, Edges
from toothwise.link.frames import wire

SLICE_S = 0.025
"""Heartbeats of the stream stand this far apart: half of what the rig asks for."""


def stream(batches: Iterable[Batch], tick_hz: int) -> Iterator[bytes]:
    """Frames for the rig's stream, one piece of bytes a slice of time; ticks count from the moment of
    `start`.

    Blind stretches of the batches are not carried: a stream is what the pins see. Raises ValueError for a
    channel the rig does not have and for a tick before 0.
    """
    writer = _Writer()
    yield writer.frame(wire.HELLO, wire.pack_hello({"tick_hz": tick_hz}))
    step = max(1, round(SLICE_S * tick_hz))
    now = 0
    for batch in batches:
        unknown = set(batch.edges) - set(wire.CHANNELS)
        if unknown:
            raise ValueError(f"the rig has no channel {', '.join(sorted(unknown))}")
        if any(len(edges) and edges.ticks[0] < 0 for edges in batch.edges.values()):
            raise ValueError("a stream begins at tick 0")
        begin = dict.fromkeys(batch.edges, 0)
        while now < batch.until_tick:
            now = min(now + step, batch.until_tick)
            last = now == batch.until_tick
            yield b"".join(writer.slice(batch, begin, None if last else now, now))


class _Writer:
    def __init__(self) -> None:
        self._sequence = 0
        self._levels = 0

    def frame(self, kind: int, payload: bytes) -> bytes:
        self._sequence += 1
        return wire.make_frame(kind, self._sequence - 1, payload)

    def slice(self, batch: Batch, begin: dict[str, int], before: int | None, now: int) -> Iterator[bytes]:
        for name, edges in batch.edges.items():
            end = len(edges) if before is None else int(np.searchsorted(edges.ticks, before))
            part = Edges(edges.ticks[begin[name] : end], edges.levels[begin[name] : end])
            begin[name] = end
            if len(part):
                yield from self._edges(wire.CHANNELS.index(name), part)
        us = 0  # not read from a stream
        until = [now] * len(wire.CHANNELS)
        yield self.frame(wire.HEARTBEAT, wire.pack_heartbeat(now, us, 0, self._levels, wire.CAPTURING, until))

    def _edges(self, number: int, edges: Edges) -> Iterator[bytes]:
        words = (((edges.ticks & wire.TIME_MASK) << 1) | edges.levels).astype("<u4").tobytes()
        for at in range(0, len(edges), wire.MOST_WORDS):
            piece = words[4 * at : 4 * (at + wire.MOST_WORDS)]
            base = int(edges.ticks[at])
            yield self.frame(wire.EDGES, wire.pack_edges(number, base, piece))
        bit = 1 << number
        self._levels = (self._levels | bit) if edges.levels[-1] else (self._levels & ~bit)
