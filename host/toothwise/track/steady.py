"""The quick tracker: long runs of teeth in which nothing is in doubt, taken whole.

With the wheel's phase known, each interval divided by its angle must repeat the one before it. As long as every
such ratio stays well inside half the way to the nearest other explanation, the careful tracker could only say the
same, so the run is taken as it is. The first ratio outside ends it, a few teeth early, and `beam` takes over there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from toothwise.track.geometry import Geometry

NEAR = 0.05
"""A lone fault is only taken here if the speed around it keeps within this share of itself."""

AFTER = 3
"""Good intervals that must follow a lone fault."""

LONE_MOST = 3
"""More teeth missing in a row than this are the careful tracker's."""

GUARD = 3
"""Teeth handed back before the first doubtful interval: what spoilt it may have begun earlier."""

SHARE = 0.35
"""Of the way, in log units, to the nearest explanation with a tooth more or fewer: below half, with room."""

MOST = 0.2
"""Never accept a larger log change, whatever the wheel."""

BLOCK = 1 << 15

APART = 2.0
"""With the wheel's phase unknown, all others must break the bound this many times over somewhere in a turn."""


class Steady:
    """Acceptance bounds for each interval of a wheel, laid out for whole blocks."""

    def __init__(self, geometry: Geometry) -> None:
        steps = np.array(geometry.steps)
        after, before = np.roll(steps, -1), np.roll(steps, 1)
        nearest = np.minimum(np.log1p(after / steps), np.log1p(before / steps))
        bound = np.minimum(MOST, SHARE * nearest)
        pair = np.minimum(bound, np.roll(bound, 1))  # a ratio stands between two intervals
        turns = BLOCK // geometry.teeth + 2
        self.teeth = geometry.teeth
        self.lone_is_told = geometry.teeth > GUARD + LONE_MOST  # with fewer, one turn holds no proof
        self.first_wanted = geometry.teeth + GUARD + 1  # intervals that `first` asks for
        # Of each ratio in a turn and the few more, (phases, ratios): what it should be, and the bound. Log units.
        at = (np.arange(geometry.symmetry)[:, None] + np.arange(self.first_wanted - 1)) % geometry.teeth
        self._change = np.log(after / steps)[at]
        self._bound = np.roll(pair, -1)[at]
        self._geometry = geometry
        self._per_deg = np.tile(1.0 / steps, turns)
        self._high = np.tile(np.exp(pair), turns)
        self._low = np.tile(np.exp(-pair), turns)

    def run(self, ticks: NDArray[np.int64], count: int, ticks_per_deg: float) -> tuple[int, bool]:
        """How many intervals from ticks[0] on follow one another without doubt, and whether one in doubt ended them.

        ticks: timing edges from the tooth numbered `count` on, at most BLOCK. ticks_per_deg: of the interval
        before it.
        """
        first = count % self.teeth
        n = len(ticks) - 1
        if n <= 0:
            return 0, False
        pace = np.empty(n + 1)
        pace[0] = ticks_per_deg
        np.multiply(np.diff(ticks), self._per_deg[first : first + n], out=pace[1:])
        ratio = pace[1:] / pace[:-1]
        doubt = (ratio > self._high[first : first + n]) | (ratio < self._low[first : first + n])
        where = int(doubt.argmax())
        if doubt[where]:
            return where, True
        return n, False

    def first(self, ticks: NDArray[np.int64]) -> int | None:
        """The tooth that the first of these edges is, if there is no doubt about them, else None.

        ticks: timing edges, at most `first_wanted` + 1, and as long as there are fewer the answer may still become
        None. Every place of the wheel's gaps but one is then missed and, in a turn, seen where there is none: two
        faults or more where the place that is told has none, so the careful tracker could only say the same.
        """
        spans = np.diff(ticks)
        if len(spans) and spans.min() < 1:
            return None
        ratios = np.diff(np.log(spans))
        off = np.abs(ratios - self._change[:, : len(ratios)]) / self._bound[:, : len(ratios)]
        worst = off.max(axis=1, initial=0.0)
        best = int(worst.argmin())
        if worst[best] > 1.0:
            return None
        if len(spans) == self.first_wanted and int((worst < APART).sum()) > 1:
            return None
        return best

    def lone(self, ticks: Sequence[int], count: int, pace: float) -> tuple[int, int] | None:
        """(teeth missing, edges too many) where exactly one of the two makes all speeds around it agree, else None.

        ticks: of the last good tooth, numbered `count`, and of the 2 + AFTER edges behind it. pace: ticks a degree
        before it. It is what the careful tracker would say, only sooner: any other explanation is worth tens of nats
        less when the speed before, across and behind the fault is the same to a twentieth.
        """
        span = self._geometry.span
        found = None
        for lost in range(1, LONE_MOST + 1):
            if _near(ticks[1] - ticks[0], pace * span(count, 1 + lost)):
                found = (lost, 0)
        whole = ticks[2] - ticks[0]
        if _near(whole, pace * span(count, 1)) and 0.15 * whole < ticks[1] - ticks[0] < 0.85 * whole:
            if found is not None:
                return None
            found = (0, 1)
        if found is None:
            return None
        lost, extra = found
        at, tooth = 1 + extra, count + 1 + lost
        for i in range(at, len(ticks) - 1):
            if not _near(ticks[i + 1] - ticks[i], pace * span(tooth, 1)):
                return None
            tooth += 1
        return found


def _near(span: float, expected: float) -> bool:
    return abs(span - expected) < NEAR * expected
