"""The lowest speed at which a whole turn came without a tooth too few or an edge too many."""

from __future__ import annotations

from functools import reduce

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
        span, turn = self._tail.keep, self._teeth
        if len(seen) <= span:
            return
        ticks = seen.ticks
        each = ticks[turn:] - ticks[:-turn]
        fastest = reduce(np.minimum, [each[n * turn : len(each) - (TURNS - 1 - n) * turn] for n in range(TURNS)])
        # Teeth that do not follow one another by number, or edges between them: no stretch across them counts.
        step = np.diff(seen.tooth)
        follows = ((step == 1) | (step == 1 - turn)) & (seen.turning[1:] == seen.turning[:-1])
        across = (np.flatnonzero(~follows) + 1).tolist()
        across += np.searchsorted(ticks, self._extra, side="right").tolist()
        for end in across:
            fastest[max(end - span, 0) : end] = 0
        self._extra = [tick for tick in self._extra if tick >= ticks[-span]]
        slowest = int(fastest.max())
        if slowest <= 0:
            return
        rpm = 60.0 * self._turns / (slowest * self._tick_s)
        if self._lowest is None or rpm < self._lowest:
            self._lowest, self._tick_share = rpm, 1.0 / slowest

    def measures(self) -> list[Measure]:
        if self._lowest is None:
            return []
        # Two readings of the clock, each rounded to a tick.
        return [Measure("lowest_full_count", self._lowest, "rpm", self._lowest * self._tick_share * np.sqrt(2 / 12))]
