"""Polarity: whether a variable-reluctance sensor's two wires are swapped, read off the gap's shape.

On an N-M wheel the edge that marks the teeth has one interval of M+1 pitches at the gap. With the wires swapped that
edge sits on slot centres, and the gap shows as two intervals of 1+M/2 in a row: 2.0 twice for N-2, 1.5 twice for
N-1 [D]. Either way the two intervals hold M+2 pitches together; how they share them is told by their ratio, which no
swing of speed can turn around. Each of the two kinds of edge, rising and falling, is looked at by itself.
"""

from __future__ import annotations

import numpy as np

from toothwise.checks.thinned import Thinned
from toothwise.edges.signal import Edges, Ticks
from toothwise.records import Measure
from toothwise.wheel.pattern import Wheel

ENOUGH = 5
"""Gaps that must have been seen."""
AGREE = 0.9
"""Share of them that must have the same shape."""


class Polarity:
    """Feed one channel's edges; the measure `polarity`: 1 as it should be, -1 wires swapped.

    No measure for wheels without one run of missing teeth, for channels of timing edges alone, or where the gaps
    show neither shape. `about` has the level whose edges show two medium intervals, and the share of gaps that do.
    """

    def __init__(self, wheel: Wheel) -> None:
        gaps = wheel.gaps
        self._missing = len(gaps[0]) if len(gaps) == 1 and wheel.teeth >= 8 else 0
        self._teeth = wheel.teeth
        self._held = [np.empty(0, np.int64), np.empty(0, np.int64)]
        self._shares = [Thinned(), Thinned()]

    def add(self, edges: Edges) -> None:
        if not self._missing:
            return
        for level in (0, 1):
            ticks = np.concatenate([self._held[level], edges.ticks[edges.levels == level]])
            if len(ticks) > 2 * self._teeth + 8:
                self._shares[level].add(self._gap_shares(ticks))
                ticks = ticks[-(self._teeth + 4) :]
            self._held[level] = ticks

    def _gap_shares(self, ticks: Ticks) -> np.ndarray:
        """Of each gap's two intervals, the larger one's share."""
        m, n = self._missing, self._teeth
        step = np.diff(ticks).astype(np.float64)
        pair = step[:-1] + step[1:]
        # The gap's pair is the longest of a turn, and the next turn's follows n edges later.
        usual = np.median(np.lib.stride_tricks.sliding_window_view(pair, 9), axis=1)
        relative = np.full(len(pair), 1.0)
        relative[4 : len(pair) - 4] = pair[4 : len(pair) - 4] / np.maximum(usual, 1)
        peak = np.array(
            [i for i in range(4, len(pair) - 4) if relative[i] == relative[max(0, i - n // 2) : i + n // 2].max()]
        )
        if not len(peak):
            return np.empty(0)
        turn = (
            np.isin(peak + n, peak)
            | np.isin(peak - n, peak)
            | np.isin(peak + n - 1, peak)
            | np.isin(peak + n + 1, peak)
        )
        wide = relative[peak] > 1 + 0.4 * (m / 2)
        peak = peak[turn & wide]
        return np.asarray(np.maximum(step[peak], step[peak + 1]) / pair[peak])

    def measures(self) -> list[Measure]:
        m = self._missing
        one_long, two_medium = (m + 1) / (m + 2), 0.5
        limit = (one_long + two_medium) / 2
        split: dict[int, float] = {}
        for level in (0, 1):
            shares = self._shares[level].rows()
            if len(shares) >= ENOUGH:
                split[level] = float((shares < limit).mean())
        if not split:
            return []
        level = max(split, key=lambda k: split[k])
        if split[level] >= AGREE:
            return [Measure("polarity", -1.0, "", None, {"level": level, "share": round(split[level], 3)})]
        if split[level] <= 1 - AGREE:
            return [Measure("polarity", 1.0, "", None, {"share": round(split[level], 3)})]
        return []
