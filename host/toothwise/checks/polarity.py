"""Polarity: whether a variable-reluctance sensor's two wires are swapped, read off the gap's shape.

On an N-M wheel the edge that marks the teeth has one interval of M+1 pitches at the gap. With the wires swapped that
edge sits on slot centres, and the gap shows as two intervals of 1+M/2 in a row: 2.0 twice for N-2, 1.5 twice for
N-1 [D]. Each turn is held against both shapes at every place of the gap; the one that leaves the smoothest speed is
that turn's. A swing of speed is smooth over a turn, so it cannot pass for a gap, nor turn one shape into the other.
Rising and falling edges are looked at by themselves, for either may be the one that marks.
"""

from __future__ import annotations

import numpy as np

from toothwise.checks.thinned import Floats, Thinned
from toothwise.edges.signal import Edges, Ticks
from toothwise.records import Measure
from toothwise.wheel.pattern import Wheel

ENOUGH = 5
"""Turns that must have been seen."""
AGREE = 0.9
"""Share of them that must have the same shape."""
CLEAR = 1.5
"""The better shape leaves speed smoother than the other by this factor, else the turn says nothing."""
TURNS_A_CALL, MOST_TURNS = 64, 1024
"""Turns looked at in one call and in all: polarity does not change from turn to turn."""
BESIDE = 4


class Polarity:
    """Feed one channel's edges; the measure `polarity`: 1 as it should be, -1 wires swapped.

    No measure for wheels without one run of missing teeth, for fewer than 8 teeth, or where the turns do not agree.
    `about` has the share of turns with two medium intervals, and for -1 the level whose edges show them.
    """

    def __init__(self, wheel: Wheel) -> None:
        gaps = wheel.gaps
        self.active = len(gaps) == 1 and wheel.teeth >= 8
        self._teeth = wheel.teeth
        self._held = [np.empty(0, np.int64), np.empty(0, np.int64)]
        self._found = [Thinned(), Thinned()]
        self._shapes: list[Floats] = []
        if self.active:
            missing = len(gaps[0])
            self._shapes = [self._shape([missing + 1.0, 1.0]), self._shape([1 + missing / 2, 1 + missing / 2])]

    def _shape(self, first: list[float]) -> Floats:
        """Second differences of the logarithm of a turn's steps, for every place of the gap, (places, steps - 2)."""
        n = self._teeth
        turn = np.ones(n)
        turn[:2] = first
        steps = np.log(np.stack([np.resize(np.roll(turn, place), n + BESIDE) for place in range(n)]))
        return np.asarray(np.diff(steps, 2, axis=1))

    def add(self, edges: Edges) -> None:
        if not self.active:
            return
        span = self._teeth + BESIDE
        for level in (0, 1):
            if self._found[level].count >= MOST_TURNS:
                continue
            of_level = np.flatnonzero(edges.levels == level)  # faster than the mask itself, which alternates
            ticks = np.concatenate([self._held[level], edges.ticks[of_level]])
            turns = (len(ticks) - 1) // span
            self._held[level] = ticks[turns * span :]
            if turns > 0:
                self._found[level].add(self._votes(ticks[: turns * span + 1], turns))

    def _votes(self, ticks: Ticks, turns: int) -> Floats:
        """1 for each turn with two medium intervals, 0 for one long one; turns that tell nothing are left out."""
        steps = np.diff(ticks).reshape(turns, -1)[:: -(-turns // TURNS_A_CALL)]
        rough = np.diff(np.log(np.maximum(steps, 1)), 2, axis=1)
        flat = (rough**2).sum(axis=1)
        # The squared distance from each shape, by the square of a difference.
        least_one, least_two = (
            flat + ((shape**2).sum(axis=1) - 2 * rough @ shape.T).min(axis=1) for shape in self._shapes
        )
        best = np.minimum(least_one, least_two)
        clear = (np.maximum(least_one, least_two) > CLEAR * best) & (flat > CLEAR * best)
        return np.asarray((least_two < least_one)[clear], np.float64)

    def measures(self) -> list[Measure]:
        shares = {level: votes.mean() for level in (0, 1) if len(votes := self._found[level].rows()) >= ENOUGH}
        if not shares:
            return []
        level = max(shares, key=lambda k: shares[k])
        share = float(shares[level])
        if share >= AGREE:
            return [Measure("polarity", -1.0, "", None, {"level": level, "share": round(share, 3)})]
        if share <= 1 - AGREE:
            return [Measure("polarity", 1.0, "", None, {"share": round(share, 3)})]
        return []
