"""The lowest speed at which a whole turn came without a tooth too few or an edge too many."""

from __future__ import annotations

import numpy as np

from toothwise.checks.tail import Tail
from toothwise.edges.signal import Clock
from toothwise.records import Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

TURNS = 2
"""A speed counts when so many full turns in a row were no faster: one could be a stop's last."""


class FullCount:
    """Feed one channel's teeth with their events; the measure `lowest_full_count` in rpm of the wheel."""

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self._teeth = wheel.teeth
        self._turns = wheel.turn_deg / 360.0
        self._tick_s = clock.tick_ns * 1e-9
        self._lowest: float | None = None
        self._tick_share = 0.0
        self._tail = Tail(TURNS * wheel.teeth)
        self._extra: list[int] = []

    def add(self, teeth: Teeth) -> None:
        self._extra += [e.tick for e in teeth.events if e.kind in ("extra", "contact")]
        seen = self._tail.then(teeth)
        span = self._tail.keep
        if len(seen) <= span:
            return
        # Teeth that follow one another by number, all the way through.
        jumps = np.cumsum((np.diff(seen.tooth, prepend=seen.tooth[0]) - 1) % self._teeth != 0)
        whole = (jumps[span:] == jumps[:-span]) & (seen.turning[span:] == seen.turning[:-span])
        first = np.flatnonzero(whole)
        if self._extra:
            begin, end = seen.ticks[first], seen.ticks[first + span]
            first = first[np.searchsorted(self._extra, begin) == np.searchsorted(self._extra, end)]
            oldest = int(seen.ticks[-span])
            self._extra = [tick for tick in self._extra if tick >= oldest]
        if not len(first):
            return
        marks = seen.ticks[first[:, None] + self._teeth * np.arange(TURNS + 1)]
        slowest = float(np.diff(marks, axis=1).min(axis=1).max())  # the faster turn of each run
        rpm = 60.0 * self._turns / (slowest * self._tick_s)
        if self._lowest is None or rpm < self._lowest:
            self._lowest, self._tick_share = rpm, 1.0 / slowest

    def measures(self) -> list[Measure]:
        if self._lowest is None:
            return []
        # Two readings of the clock, each rounded to a tick.
        return [Measure("lowest_full_count", self._lowest, "rpm", self._lowest * self._tick_share * np.sqrt(2 / 12))]
