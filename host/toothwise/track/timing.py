"""Which of a signal's two edges marks the tooth.

For a Hall sensor both do, a tooth's width apart; for a variable-reluctance one only the steep crossing at the
tooth's middle does, the other falls on the middle of the slot and shows one long gap as two medium ones. So the
polarity is taken whose intervals fit the wheel better; if both fit, the edge that leaves the level which the line
holds in its longest pause, for that is the level without a tooth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Edges
from toothwise.track.beam import HOPELESS_AT_FIRST, Beam
from toothwise.track.geometry import FEW_TEETH, Geometry
from toothwise.track.widths import Widths
from toothwise.wheel.pattern import Wheel

CLEARLY = 0.03
"""One polarity fits better if its intervals are predicted better by so much, in log units a piece."""

ONE_A_TURN = 0.6
"""The same, summed over a turn: on a wheel with many teeth the mean hides a gap that shows as two medium ones."""

PLAINLY = 4.0
"""One polarity fits better if its best explanation is so many nats cheaper."""


STEADY_SHARE = 0.25
"""On a wheel without a gap, widths tell if the share of a tooth's pitch keeps within so much, in log odds."""


GAP = 0.05
"""One polarity fits better if its gap is bent by so much less, in log units (see `_bent_more`)."""

STRAIGHT = 0.5
"""One edge stays straight at a gap if it bends by less than such a share of what the other does."""

NEAR = 0.45
"""Two edges' gaps are the same one if their middles are within such a share of them: a crossing in the middle of a gap
moves it by three eighths at most [D]."""

BURST_SHARE = 0.05
"""Spans shorter than such a share of the long ones are no tooth of a wheel that has only one."""


def edges_wanted(wheel: Wheel) -> int:
    """Level changes to look at before the polarity is decided: a little over two turns, at least eight teeth; of a
    wheel with few teeth twice as many and more, for the first turns of a start swing too much to tell."""
    turns = 2 if wheel.teeth > FEW_TEETH else 4 if wheel.teeth >= 12 else 6
    return 2 * max(turns * wheel.teeth + 8, 16)


def timing_level(edges: Edges, wheel: Wheel, geometry: Geometry, tick_s: float) -> int:
    """The level (0 or 1) whose edges are the timing edges."""
    have = [level for level in (0, 1) if np.any(edges.levels == level)]
    if len(have) == 1:
        return have[0]
    if wheel.teeth == 1 or wheel.widths_deg is not None:
        return _by_width(edges, wheel, geometry)
    apart = [edges.ticks[edges.levels == level] for level in (0, 1)]
    found = [_errors(ticks, geometry) for ticks in apart]
    bent = _bent_more(apart, found, geometry)
    if bent is not None and abs(bent) > GAP:
        return int(bent > 0.0)
    clearly = min(CLEARLY, ONE_A_TURN / geometry.teeth)
    misfit = [_misfit(errors) for errors, _ in found]
    if min(misfit) > clearly and bent is None:
        # The speed swings too much for neighbours to tell: weigh whole explanations.
        likely = int(misfit[1] < misfit[0])
        cost = _cost(apart[likely], geometry, tick_s, math.inf)
        other = _cost(apart[1 - likely], geometry, tick_s, cost + PLAINLY)
        if abs(cost - other) > PLAINLY:
            return likely if cost < other else 1 - likely
    elif abs(misfit[0] - misfit[1]) > clearly:
        return int(misfit[1] < misfit[0])
    rough = [_roughness(edges.ticks[edges.levels == level]) for level in (0, 1)]
    if wheel.symmetry == 1 and max(rough) > 2.0 * min(rough):
        return int(rough[1] < rough[0])
    widths = [tooth_widths(edges, level, wheel, geometry) for level in (0, 1)]
    tells = [found is not None and found.telling for found in widths]
    if tells[0] != tells[1]:
        return int(tells[1])
    return 1 - _resting_level(edges)


Errors = tuple[NDArray[np.float64], int]


def _misfit(errors: NDArray[np.float64]) -> float:
    """Mean of what `_errors` found; at most 1."""
    return float(np.abs(errors).mean()) if len(errors) else 1.0


def _errors(ticks: NDArray[np.int64], geometry: Geometry) -> Errors:
    """Log error of each interval predicted from the one before, at most 1 either way, and the tooth that the first edge
    is then taken for: the one that suits best."""
    spans = np.maximum(np.diff(ticks).astype(float), 0.5)
    change = np.diff(np.log(spans))
    steps = np.log(np.array(geometry.steps))
    wanted = np.roll(steps, -1) - steps
    index = np.arange(len(change))
    tried = [np.clip(change - wanted[(index + p) % geometry.teeth], -1.0, 1.0) for p in range(geometry.symmetry)]
    best = min(range(geometry.symmetry), key=lambda p: float(np.abs(tried[p]).sum()))
    return tried[best], best


def _bent_more(apart: Sequence[NDArray[np.int64]], found: Sequence[Errors], geometry: Geometry) -> float | None:
    """By how much more the falling edges bend at the wheel's gaps than the rising ones do, in log units; None if
    unknown. apart, found: each level's edges, and what `_errors` says of them.

    In a variable-reluctance signal the crossing between the teeth gives a part of each gap to the interval behind it:
    the gap looks shorter, that one longer. What bends the speed itself, bends both edges' intervals alike, and so does
    a fault, and so it is their difference that counts, at the gap where it is largest while one of them stays straight:
    noise may place that crossing well at some gaps. Else at the gap where it is smallest.
    Only where the pitch is so fine that both see the same speed.
    """
    if geometry.teeth <= FEW_TEETH or min(len(ticks) for ticks in apart) < 3:
        return None
    gaps = product(*(_gaps(ticks, errors, geometry) for ticks, errors in zip(apart, found, strict=True)))
    pairs = [(a.bent, b.bent) for a, b in gaps if abs(a.middle - b.middle) < NEAR * max(a.span, b.span)]
    straight = [one - other for one, other in pairs if min(abs(one), abs(other)) < STRAIGHT * max(abs(one), abs(other))]
    largest = max(straight, key=abs, default=0.0)
    return largest if abs(largest) > GAP else min((one - other for one, other in pairs), key=abs, default=None)


class _Gap(NamedTuple):
    """middle, span: ticks. bent: the log error of the interval out of it less that of the one into it."""

    middle: float
    span: float
    bent: float


def _gaps(ticks: NDArray[np.int64], errors: Errors, geometry: Geometry) -> list[_Gap]:
    error, phase = errors
    gap = np.array(geometry.steps) > 1.4 * float(np.median(geometry.steps))
    at = np.flatnonzero(gap[(np.arange(1, len(error)) + phase) % geometry.teeth]) + 1
    return [
        _Gap(0.5 * float(ticks[i] + ticks[i + 1]), float(ticks[i + 1] - ticks[i]), float(error[i] - error[i - 1]))
        for i in at.tolist()
    ]


def _cost(ticks: NDArray[np.int64], geometry: Geometry, tick_s: float, enough: float) -> float:
    """Nats that the best explanation of these edges costs, or so far, once they are more than enough."""
    beam = Beam(geometry, tick_s)
    if geometry.teeth <= FEW_TEETH:
        beam.hopeless = HOPELESS_AT_FIRST
    beam.begin(0, int(ticks[0]), range(geometry.symmetry))
    for i, tick in enumerate(ticks[1:].tolist(), 1):
        if beam.lost(tick) or beam.best().cost > enough:
            break
        beam.step(i, tick)
    return beam.best().cost


def _roughness(ticks: NDArray[np.int64]) -> float:
    spans = np.maximum(np.diff(ticks).astype(float), 0.5)
    return float(np.median(np.abs(np.diff(np.log(spans), 2)))) + 1e-4 if len(spans) > 2 else 1e9


def _resting_level(edges: Edges) -> int:
    """The level of the longest pause, measured against those of that level before and behind it: the first teeth of a
    start last long at either level, and so do their neighbours."""
    spans = np.diff(edges.ticks).astype(float)
    held = edges.levels[:-1]
    reach = []
    for level in (0, 1):
        own = np.maximum(spans[held == level], 1.0)
        reach.append(float((own[1:-1] / np.sqrt(own[:-2] * own[2:])).max(initial=0.0)))
    return int(reach[1] > reach[0])


def _by_width(edges: Edges, wheel: Wheel, geometry: Geometry) -> int:
    """Where the wheel's widths are known: the level whose share of time is that of the teeth.

    A half share says nothing; the tooth is then taken for the high level.
    """
    shares: tuple[float, ...] = wheel.widths_deg or (wheel.turn_deg / 2,)
    wanted = sum(shares) / wheel.turn_deg
    if wheel.teeth > 1:  # one tooth comes once a turn, whichever of its edges is taken
        misfit = [_misfit(_errors(edges.ticks[edges.levels == level], geometry)[0]) for level in (0, 1)]
        if abs(misfit[0] - misfit[1]) > CLEARLY:
            return int(misfit[1] < misfit[0])
        spans = np.diff(edges.ticks).astype(float)
        high = float(spans[edges.levels[:-1] == 1].sum() / max(spans.sum(), 1.0))
    else:
        high = _usual_share(edges)
    return int(abs(high - wanted) <= abs((1.0 - high) - wanted) + 0.02)


def _usual_share(edges: Edges) -> float:
    """Share of a usual turn for which the line is high: bursts and long silences are not usual."""
    spans = np.diff(edges.ticks).astype(float)
    whole = spans > BURST_SHARE * np.quantile(spans, 0.9)
    of = [spans[whole & (edges.levels[:-1] == level)] for level in (0, 1)]
    usual = [float(np.median(own)) if len(own) else 0.0 for own in of]
    return usual[1] / max(sum(usual), 1.0)


def tooth_widths(edges: Edges, level: int, wheel: Wheel, geometry: Geometry) -> Widths | None:
    """How wide the teeth are, and whether their trailing edges tell a gap from a tooth; None without widths.

    A Hall sensor's do: the line rests through the gap. A variable-reluctance one's don't: its trailing crossing
    falls on the middle of whatever lies between two teeth.
    """
    if wheel.widths_carry_code:
        return None
    if wheel.widths_deg is not None:
        return Widths([w * 360.0 / wheel.turn_deg for w in wheel.widths_deg], True, geometry.cycle_deg)
    if geometry.smallest_deg < 0.9 * float(np.median(geometry.steps)):
        return None  # teeth closer than the usual pitch: nothing says how wide those are
    at = np.flatnonzero(edges.levels == level)
    at = at[:-1][np.diff(at) == 2]
    if len(at) < 4:
        return None
    share = (edges.ticks[at + 1] - edges.ticks[at]) / np.maximum(edges.ticks[at + 2] - edges.ticks[at], 1)
    share = np.clip(share, 0.02, 0.98)
    usual = float(np.median(share))
    degrees = usual * float(np.median(geometry.steps))
    telling = False
    if wheel.gaps and geometry.teeth <= FEW_TEETH:
        in_gap = degrees / geometry.largest_deg
        odds = np.log(share / (1.0 - share))
        between = 0.5 * (math.log(usual / (1.0 - usual)) + math.log(in_gap / (1.0 - in_gap)))
        gaps = sum(step > 1.5 * geometry.smallest_deg for step in geometry.steps)
        turns = len(share) / geometry.teeth
        telling = 0.6 * gaps * turns <= int(np.sum(odds < between)) <= 2.0 * gaps * turns + 2
    elif geometry.teeth <= FEW_TEETH:
        odds = np.log(share / (1.0 - share))
        telling = float(np.median(np.abs(odds - np.median(odds)))) < STEADY_SHARE
    return Widths([degrees] * geometry.teeth, telling, geometry.cycle_deg)
