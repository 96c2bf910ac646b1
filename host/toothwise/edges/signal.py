"""What every source of edges hands on: a clock, batches of edges a channel, and blind stretches.

A rig, a book recording and an imported file all look the same from here on:

    recording.clock       how long a tick is and what the recording's own clock shows at tick 0
    recording.channels    the channels it watched, in a fixed order
    recording.batches()   `Batch` after `Batch`, in order of time, until the end
    recording.source      plain facts for the "source" object of the JSON
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

CHANNELS = ("crank", "cam", "feed", "aux")
"""The rig's channels, in the order of their numbers on the wire."""

Ticks = NDArray[np.int64]
Levels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Clock:
    """Ticks to seconds. Ticks stay integers everywhere else.

    tick_ns: length of one tick in nanoseconds (16.0 on an RP2040, 1000.0 on an interrupt board).
    t0_s: what the recording's own clock shows at tick 0; 0 for a live one, the time column's start for a file.
    """

    tick_ns: float
    t0_s: float = 0.0

    def seconds(self, tick: int) -> float:
        """The recording's own time at `tick`, in seconds."""
        return self.t0_s + tick * self.tick_ns * 1e-9

    def span_s(self, ticks: int) -> float:
        """A duration of so many ticks, in seconds."""
        return ticks * self.tick_ns * 1e-9

    def ticks(self, span_s: float) -> int:
        """The whole number of ticks nearest to a duration in seconds."""
        return round(span_s / (self.tick_ns * 1e-9))


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """One channel's level changes in order of time.

    ticks: int64, shape (n,), never falling.
    levels: uint8, shape (n,), the level after the change, 0 or 1. Two equal levels in a row mean that an
    edge between them was lost by the recorder.
    """

    ticks: Ticks
    levels: Levels

    def __len__(self) -> int:
        return len(self.ticks)

    @staticmethod
    def none() -> Edges:
        return Edges(np.empty(0, np.int64), np.empty(0, np.uint8))

    @staticmethod
    def join(parts: list[Edges]) -> Edges:
        if not parts:
            return Edges.none()
        return Edges(np.concatenate([p.ticks for p in parts]), np.concatenate([p.levels for p in parts]))


@dataclass(frozen=True, slots=True)
class Blind:
    """A stretch for which the rig, the link or the file cannot vouch; counts neither for nor against anything.

    channel: None where all channels were blind. End is exclusive.
    reason: a short word from `firmware/PROTOCOL.md`'s table, or the importer's.
    """

    start_tick: int
    end_tick: int
    reason: str
    channel: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """What one stretch of time brought on all channels.

    until_tick: every edge before this tick has been delivered, here or earlier, or lies in a blind stretch;
    silence up to here is a fact. Never falls from one batch to the next.
    edges: a channel without an entry had no edge. Ticks of one channel never fall across batches.
    blind: stretches that became known with this batch; they may begin before it, never before the
    last `until_tick` of an earlier batch unless no edge of theirs was delivered.
    """

    until_tick: int
    edges: Mapping[str, Edges] = field(default_factory=dict)
    blind: tuple[Blind, ...] = ()


class Recording(Protocol):
    """Anything that can be followed from its first edge to its last."""

    @property
    def clock(self) -> Clock: ...

    @property
    def channels(self) -> tuple[str, ...]: ...

    @property
    def source(self) -> dict[str, Any]: ...

    def batches(self) -> Iterator[Batch]: ...


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """A recording held in memory: made signals, small files, tests."""

    clock: Clock
    edges: Mapping[str, Edges]
    until_tick: int
    blind: tuple[Blind, ...] = ()
    source: dict[str, Any] = field(default_factory=dict)

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self.edges)

    def batches(self) -> Iterator[Batch]:
        yield Batch(self.until_tick, self.edges, self.blind)
