"""Duty: the share of a pitch for which the line is high. From the edges themselves, no tracking needed."""

from __future__ import annotations

import numpy as np

from toothwise.checks.thinned import Thinned, spread_of
from toothwise.edges.signal import Edges
from toothwise.records import Measure

PLAIN = 1.3
"""A period longer than this many times its neighbours' median spans a gap."""


class Duty:
    """Feed one channel's edges; the measure `duty`, 0 to 1, with the spread from tooth to tooth in `about`."""

    def __init__(self) -> None:
        self._found = Thinned()
        self._held = Edges.none()

    def add(self, edges: Edges) -> None:
        edges = Edges.join([self._held, edges])
        self._held = Edges(edges.ticks[-16:], edges.levels[-16:])
        if len(edges) < 18:
            self._held = edges
            return
        rise = np.flatnonzero((edges.levels[:-2] == 1) & (edges.levels[1:-1] == 0) & (edges.levels[2:] == 1))
        t = edges.ticks
        period = (t[rise + 2] - t[rise]).astype(np.float64)
        high = (t[rise + 1] - t[rise]).astype(np.float64)
        if len(period) < 5:
            return
        around = np.median(np.lib.stride_tricks.sliding_window_view(period, 5), axis=1)
        plain = (period[2:-2] < PLAIN * around) & (period[2:-2] * PLAIN > around)
        self._found.add((high[2:-2] / np.maximum(period[2:-2], 1))[plain])

    def measures(self) -> list[Measure]:
        shares = self._found.rows()
        if len(shares) < 20:
            return []
        spread = spread_of(shares)
        # 1.25 is the median's standard error over the mean's [D, normal distribution].
        doubt = 1.25 * spread / np.sqrt(len(shares))
        return [Measure("duty", float(np.median(shares)), "", float(doubt), {"spread": round(spread, 4)})]
