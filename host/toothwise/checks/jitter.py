"""Jitter: how far the same tooth's edge wanders from turn to turn, the engine's own unevenness left out.

Five teeth in a row have a fourth difference: a smooth run leaves nothing of it, a tooth's own error is the same a
turn later. So the difference of two turns' fourth differences holds jitter alone, with 2·(1+16+36+16+1) = 140 times
its variance [D]. The spread is taken from the bulk, so that a few displaced edges do not count.
"""

from __future__ import annotations

import numpy as np

from toothwise.checks.tail import Tail
from toothwise.checks.thinned import Thinned
from toothwise.edges.signal import Clock
from toothwise.records import Measure
from toothwise.scatter import spread_of
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

WEIGHTS = np.array([1.0, -4.0, 6.0, -4.0, 1.0])
GROWTH = float(np.sqrt(2 * (WEIGHTS**2).sum()))
FINE_DEG = 18.0
"""Wider pitches let the engine's own waves through a fourth difference."""


class Jitter:
    """Feed one channel's teeth; the measure `jitter` in degrees rms, without the clock's own rounding."""

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self._teeth = wheel.teeth
        self._tick_s = clock.tick_ns * 1e-9
        self._pitch_deg = wheel.pitch_deg
        steps = wheel.steps_deg
        even = np.abs(steps - wheel.pitch_deg) < 0.01 * wheel.pitch_deg
        starts = [n for n in range(wheel.teeth - 4) if even[n : n + 4].all()]
        self._starts = np.zeros(wheel.teeth + 1, np.bool_)  # by tooth
        if wheel.pitch_deg <= FINE_DEG:
            self._starts[[n + 1 for n in starts[:: max(1, len(starts) // 12)]]] = True
        self._found = Thinned(2)
        self._tail = Tail(wheel.teeth + 4)

    def add(self, teeth: Teeth) -> None:
        if not self._starts.any():
            return
        seen = self._tail.then(teeth)
        n, keep = self._teeth, self._tail.keep
        if len(seen) <= keep:
            return
        ticks, tooth, turning = seen.ticks, seen.tooth, seen.turning
        first = np.flatnonzero(self._starts[tooth[:-keep]])
        numbers = self._found.next(len(first))
        first, numbers = first[wanted := self._found.wants(numbers)], numbers[wanted]
        whole = (tooth[first + 4] == tooth[first] + 4) & (tooth[first + n] == tooth[first])
        whole &= (tooth[first + n + 4] == tooth[first] + 4) & (turning[first] == turning[first + n + 4])
        first, numbers = first[whole], numbers[whole]
        at = ticks[first[:, None] + np.arange(5)] - ticks[first][:, None]
        later = ticks[first[:, None] + n + np.arange(5)] - ticks[first + n][:, None]
        deg_per_tick = 4 * self._pitch_deg / np.stack([at[:, 4], later[:, 4]])
        values = (at @ WEIGHTS) * deg_per_tick[0] - (later @ WEIGHTS) * deg_per_tick[1]
        self._found.add(np.stack([values, deg_per_tick.mean(axis=0)], axis=1), numbers)

    def measures(self) -> list[Measure]:
        rows = self._found.rows()
        if len(rows) < 20:
            return []
        seen = spread_of(rows[:, 0]) / GROWTH
        rounding = float(np.median(rows[:, 1])) / np.sqrt(12.0)
        value = float(np.sqrt(max(seen**2 - rounding**2, 0.0)))
        # The median distance knows a spread of n values to 1.17/sqrt(2n) of itself [D, normal distribution].
        doubt = 1.17 * seen / np.sqrt(2 * len(rows))
        return [Measure("jitter", value, "deg rms", float(3 * doubt if 3 * value < seen else doubt * seen / value))]
