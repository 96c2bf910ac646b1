"""What a stretch of edges may be, wheel by wheel: explanations for `evidence` to weigh."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from toothwise.wheel.evidence import Explanation, Floats, Ints
from toothwise.wheel.pattern import Wheel

CHOSEN = 2.0
"""Nats for each width that an explanation takes from the signal."""
CLOSE = 0.75
"""A step below so much of the pitch crowds the teeth beside it."""
WIDTH_DEG = 0.3
"""How far a trailing edge stands from its place beyond a leading one (common practice, no source)."""
GIVEN_WIDTH_DEG = 2.0
"""The same where the catalogue gives the width, from memory."""
WIDE_TO_NARROW = 2.0
"""Least ratio of a code's two widths; the usual is four (from memory)."""


def is_even(wheel: Wheel) -> bool:
    """Whether one tooth cannot be told from another: the signal of such a wheel does not tell how many it has."""
    return wheel.symmetry == 1 and not wheel.widths_carry_code


class Stretch:
    """Edges of alternating level, of which every second one, from `first` on, leads a tooth."""

    def __init__(self, ticks: Ints, first: int) -> None:
        self.ticks = ticks
        self.first = first
        self.lead = ticks[first::2]
        self._log = np.log(np.maximum(np.diff(self.lead).astype(float), 0.5))
        place = np.arange(first, len(ticks) - 2, 2)
        spans = np.maximum((ticks[place + 2] - ticks[place]).astype(float), 1.0)
        self.share = np.clip((ticks[place + 1] - ticks[place]) / spans, 0.02, 0.98)
        """Of the way from each tooth to the next, what the tooth takes."""

    def suits(self, wheel: Wheel) -> Floats:
        """For each tooth that may have led: mean log error of an interval predicted from the one before."""
        change = np.diff(self._log)
        if not len(change):
            return np.zeros(wheel.symmetry)
        steps = np.log(wheel.steps_deg)
        wanted = np.tile(np.roll(steps, -1) - steps, 1 + (len(change) + wheel.symmetry) // wheel.teeth + 1)
        return np.array(
            [np.minimum(np.abs(change - wanted[p : p + len(change)]), 1.5).mean() for p in range(wheel.symmetry)]
        )

    def leading(self, wheel: Wheel, phase: int) -> Explanation:
        """The leading edges alone, the first being tooth `phase` (from 0)."""
        tooth, at = _places(wheel, phase, len(self.lead))
        return Explanation(at, tooth, np.zeros(len(at)))

    def whole(self, wheel: Wheel, phase: int) -> Iterator[Explanation]:
        """All edges, one explanation a way that the trailing ones may come about."""
        n = len(self.ticks)
        tooth, at = _places(wheel, phase - 1, n // 2 + 3)  # one tooth before the first, for an edge that trails it
        begin = 2 - self.first
        for width, loose, cost in self._widths(wheel, tooth[1 : 1 + len(self.share)]):
            angle = np.stack([at, at + width[tooth]], axis=1).ravel()[begin : begin + n]
            edge = np.stack([2 * tooth, 2 * tooth + 1], axis=1).ravel()[begin : begin + n]
            slack = np.tile([0.0, loose], len(at))[begin : begin + n]
            yield Explanation(angle, edge, slack, cost)

    def _widths(self, wheel: Wheel, tooth: Ints) -> Iterator[tuple[Floats, float, float]]:
        """Each tooth's width in degrees, how loose it is, and what it cost to choose it."""
        steps = wheel.steps_deg * (360.0 / wheel.turn_deg)
        if wheel.widths_deg is not None:
            yield np.array(wheel.widths_deg) * (360.0 / wheel.turn_deg), GIVEN_WIDTH_DEG, 0.0
            return
        if wheel.widths_carry_code:
            yield from self._coded(steps, tooth)
            return
        pitch = float(np.median(steps))
        plain = np.abs(steps / pitch - 1.0) < 0.2
        share = self.share[plain[tooth]] if plain[tooth].any() else self.share
        usual = float(np.median(share)) if len(share) else 0.5
        # A switch: teeth alike, the line rests through a gap. Or zero crossings: in the middle, gap or not.
        alike = np.minimum(usual * pitch, 0.97 * steps)
        yield alike, WIDTH_DEG, 0.0
        if is_even(wheel):
            return
        yield usual * steps, WIDTH_DEG, 0.0
        close = steps < CLOSE * pitch
        if close.any():
            # Where two teeth stand close, these and their neighbours may be narrower.
            own = close | np.roll(close, 1) | np.roll(close, -1)
            yield np.where(own, self._each(len(steps), tooth) * steps, alike), WIDTH_DEG, CHOSEN * int(own.sum())

    def _each(self, teeth: int, tooth: Ints) -> Floats:
        """Each tooth's share of its step, the median of its turns."""
        every = float(np.median(self.share)) if len(self.share) else 0.5
        return np.array([np.median(self.share[tooth == k]) if np.any(tooth == k) else every for k in range(teeth)])

    def _coded(self, steps: Floats, tooth: Ints) -> Iterator[tuple[Floats, float, float]]:
        """Two widths; which tooth has which is taken from the signal."""
        each = self._each(len(steps), tooth)
        order = np.sort(each)
        split = int(np.argmax(np.diff(np.log(order)))) + 1 if len(order) > 1 else 0
        if not split or order[split] < 1.3 * order[split - 1]:
            return
        wide = each >= order[split]
        narrow_share, wide_share = float(np.median(each[~wide])), float(np.median(each[wide]))
        if wide_share < WIDE_TO_NARROW * narrow_share:
            return
        width = np.where(wide, wide_share, narrow_share) * steps
        yield width, WIDTH_DEG, float(np.log(2.0)) * len(steps) + 2.0 * CHOSEN


def _places(wheel: Wheel, phase: int, count: int) -> tuple[Ints, Floats]:
    """So many teeth from tooth `phase` on (from 0, also below): which one each is, and its angle, counted on."""
    number = phase + np.arange(count)
    start = np.array(wheel.angles_deg) * (360.0 / wheel.turn_deg)
    tooth = number % wheel.teeth
    return tooth, start[tooth] + 360.0 * (number // wheel.teeth)
