"""What the watchers find on one channel, and how disturbances become events."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from toothwise.edges.signal import Clock
from toothwise.wiggle import rules

FEED = "feed"
MOST_PARTS = 64
"""Interruptions that an event remembers one by one; of the others it keeps number and longest."""


@dataclass(frozen=True, slots=True)
class Disturbance:
    """One thing on one channel that a sound harness does not do.

    kind: `level` (at rest, in continuity, and of the feed), `missing`, `extra`, `moved`, `silent`.
    tick, end_tick: from the first to the last edge of it; for missing teeth, from when the first was due.
    least, most: ticks; bounds on the longest interruption in it, equal where both its edges were seen. Of a moved edge
        the shift is the least, and the best that can be said.
    level: where the line was held, where that is known.
    slack: ticks by which `tick` may be too early or too late.
    stays: the line did not come back in the time that was watched.
    """

    kind: str
    channel: str
    tick: int
    end_tick: int
    least: int
    most: int
    level: int | None = None
    count: int = 1
    revolution: int | None = None
    tooth: int | None = None
    angle_deg: float | None = None
    slack: int = 0
    stays: bool = False

    @property
    def longest(self) -> int:
        return self.least if self.kind == "moved" else (self.least + self.most) // 2


@dataclass(slots=True)
class Burst:
    """Disturbances that belong together, in order of time: one event of the wiggle test, by its rules."""

    tick: int
    end_tick: int
    parts: list[Disturbance] = field(default_factory=list)
    count: int = 0

    def take(self, part: Disturbance) -> None:
        self._extend(part.tick, part.end_tick)
        self.count += 1
        self._keep([part])

    def merge(self, other: Burst) -> None:
        self._extend(other.tick, other.end_tick)
        self.count += other.count
        self._keep(other.parts)

    def _extend(self, tick: int, end_tick: int) -> None:
        self.tick = min(self.tick, tick)
        self.end_tick = max(self.end_tick, end_tick)

    def _keep(self, parts: list[Disturbance]) -> None:
        self.parts = sorted([*self.parts, *parts], key=lambda p: (p.tick, p.end_tick, p.channel))
        while len(self.parts) > MOST_PARTS:
            self.parts.remove(min(self.parts, key=lambda p: p.longest))

    @property
    def longest(self) -> Disturbance:
        return max(self.parts, key=lambda p: p.longest)

    @property
    def kinds(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(part.kind for part in self.parts))

    def conductor(self, clock: Clock, continuity: bool = False) -> str:
        """Which conductor let go, by the rules."""
        channels = list(dict.fromkeys(part.channel for part in self.parts))
        if continuity:
            return "+".join(sorted(channels))
        signals = [part for part in self.parts if part.channel != FEED]
        lows = [part for part in self.parts if part.channel == FEED]
        if lows:
            return "feed" if all(_explained(part, lows, clock) for part in signals) else "both"
        if len(channels) > 1 and _overlap(signals, clock):
            return "both"
        first = signals[0].channel
        return first if first in ("cam", "aux") else "signal"


def _explained(part: Disturbance, lows: list[Disturbance], clock: Clock) -> bool:
    """Whether a feed that was low can have made this."""
    before = clock.ticks(rules.SKEW_S) + part.slack
    after = clock.ticks(rules.RECOVER_S) + part.slack
    return any(low.tick - before <= part.tick <= low.end_tick + after for low in lows)


def _overlap(parts: list[Disturbance], clock: Clock) -> bool:
    skew = clock.ticks(rules.SKEW_S)
    return any(
        a.channel != b.channel
        and a.tick <= b.end_tick + skew + b.slack + a.slack
        and b.tick <= a.end_tick + skew + a.slack + b.slack
        for i, a in enumerate(parts)
        for b in parts[i + 1 :]
    )


class Events:
    """Disturbances in any order, gathered into events that are in order of time."""

    def __init__(self, clock: Clock) -> None:
        self._join = clock.ticks(rules.JOIN_S)
        self._events: list[Burst] = []

    def __len__(self) -> int:
        return len(self._events)

    def __iter__(self) -> Iterator[Burst]:
        return iter(self._events)

    def add(self, parts: Iterable[Disturbance]) -> None:
        for part in parts:
            self._add(part)

    def _add(self, part: Disturbance) -> None:
        fresh = Burst(part.tick, part.end_tick)
        fresh.take(part)
        events = self._events
        # Events neither touch nor overlap, so their ends are in order too.
        first = bisect_left(events, part.tick - self._join, key=lambda e: e.end_tick)
        last = bisect_right(events, part.end_tick + self._join, key=lambda e: e.tick)
        for old in events[first:last]:
            fresh.merge(old)
        events[first:last] = [fresh]
