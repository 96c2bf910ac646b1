"""Made edge streams for the rig without a board, in the form PROTOCOL.md gives them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from toothwise.firmware import wire

Edges = dict[int, tuple[NDArray[np.int64], NDArray[np.uint8]]]
"""Channel number → ticks from the stream's start, levels after the edge."""


def square(start: int, half: int, count: int) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """`count` edges, `half` ticks apart, the first one rising."""
    ticks = start + half * np.arange(count, dtype=np.int64)
    return ticks, ((np.arange(count) + 1) % 2).astype(np.uint8)


def stream(edges: Edges, tick_hz: int, until: int, extra: list[tuple[int, int, bytes]] | None = None) -> bytes:
    """A stream of all channels' edges up to `until`, with a heartbeat every 10 ms of stream time.

    extra: (tick, frame type, payload) of whatever else is to happen.
    """
    step = tick_hz // 100
    out = [wire.make_frame(wire.HELLO, 0, wire.pack_hello({"tick_hz": tick_hz}))]
    waiting = sorted(extra or [])
    levels = 0
    at = dict.fromkeys(edges, 0)
    for start in range(0, until, step):
        end = min(start + step, until)
        for channel, (ticks, after) in edges.items():
            last = int(np.searchsorted(ticks, end))
            for first in range(at[channel], last, wire.MOST_WORDS):
                part = slice(first, min(first + wire.MOST_WORDS, last))
                words = ((ticks[part] & wire.TIME_MASK) << 1 | after[part]).astype("<u4").tobytes()
                out.append(wire.make_frame(wire.EDGES, 0, wire.pack_edges(channel, int(ticks[first]), words)))
            if last > at[channel]:
                levels = levels & ~(1 << channel) | int(after[last - 1]) << channel
            at[channel] = last
        while waiting and waiting[0][0] < end:
            _, kind, payload = waiting.pop(0)
            out.append(wire.make_frame(kind, 0, payload))
        out.append(wire.make_frame(wire.HEARTBEAT, 0, wire.pack_heartbeat(end, 0, 0, levels, 0, [])))
    return b"".join(out)


def write(path: Path, *args: object, **named: object) -> Path:
    path.write_bytes(stream(*args, **named))  # type: ignore[arg-type]
    return path
