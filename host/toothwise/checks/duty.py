"""Duty: the share of a pitch for which the line is high. From the edges themselves, no tracking needed."""

from __future__ import annotations

import numpy as np

from toothwise.checks.thinned import Thinned
from toothwise.edges.signal import Edges
from toothwise.records import Measure
from toothwise.scatter import spread_of

PLAIN = 1.3
"""A period longer than this many times its neighbours' median spans a gap."""
AROUND = 2
"""So many periods on each side are its neighbours."""
HELD = 64
"""Edges that wait for periods to become whole; on a line that never alternates no more than these."""


class Duty:
    """Feed one channel's edges; the measure `duty`, 0 to 1, with the spread from tooth to tooth in `about`."""

    def __init__(self) -> None:
        self._found = Thinned()
        self._held = Edges.none()

    def add(self, edges: Edges) -> None:
        edges = Edges.join([self._held, edges])
        t, high = edges.ticks, edges.levels == 1
        rise = np.flatnonzero(high[:-2] & ~high[1:-1] & high[2:])
        many = len(rise) - 2 * AROUND
        start = int(rise[many]) if many > 0 else max(len(edges) - HELD, 0)
        self._held = Edges(t[start:].copy(), edges.levels[start:].copy())
        if many <= 0:
            return
        numbers = self._found.next(many)
        numbers, middle = numbers[wanted := self._found.wants(numbers)], np.flatnonzero(wanted) + AROUND
        around = rise[middle[:, None] + np.arange(-AROUND, AROUND + 1)]
        usual = np.median(t[around + 2] - t[around], axis=1)
        here = rise[middle]
        period = t[here + 2] - t[here]
        plain = (period < PLAIN * usual) & (period * PLAIN > usual)
        share = (t[here + 1] - t[here]) / np.maximum(period, 1)
        self._found.add(share[plain], numbers[plain])

    def measures(self) -> list[Measure]:
        shares = self._found.rows()
        if len(shares) < 20:
            return []
        spread = spread_of(shares)
        # 1.25 is the median's standard error over the mean's [D, normal distribution].
        doubt = 1.25 * spread / np.sqrt(len(shares))
        return [Measure("duty", float(np.median(shares)), "", float(doubt), {"spread": round(spread, 4)})]
