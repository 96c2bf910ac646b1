"""Which of a signal's two edges marks the tooth.

For a Hall sensor both do, a tooth's width apart; for a variable-reluctance one only the steep crossing at the
tooth's middle does, the other falls on the middle of the slot and shows one long gap as two medium ones. So the
polarity is taken whose intervals fit the wheel better; if both fit, the edge that leaves the level which the line
holds in its longest pause, for that is the level without a tooth.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Edges
from toothwise.track.geometry import Geometry
from toothwise.wheel.pattern import Wheel

CLEARLY = 0.03
"""One polarity fits better if its intervals are predicted better by so much, in log units a piece."""


def edges_wanted(wheel: Wheel) -> int:
    """Level changes to look at before the polarity is decided: a little over two turns, at least eight teeth."""
    return 2 * max(2 * wheel.teeth + 8, 16)


def timing_level(edges: Edges, wheel: Wheel, geometry: Geometry) -> int:
    """The level (0 or 1) whose edges are the timing edges."""
    have = [level for level in (0, 1) if np.any(edges.levels == level)]
    if len(have) == 1:
        return have[0]
    if wheel.teeth == 1 or wheel.widths_deg is not None:
        return _by_width(edges, wheel, geometry)
    misfit = [_misfit(edges.ticks[edges.levels == level], geometry) for level in (0, 1)]
    if abs(misfit[0] - misfit[1]) > CLEARLY:
        return int(misfit[1] < misfit[0])
    rough = [_roughness(edges.ticks[edges.levels == level]) for level in (0, 1)]
    if wheel.symmetry == 1 and max(rough) > 2.0 * min(rough):
        return int(rough[1] < rough[0])
    return 1 - _resting_level(edges)


def _misfit(ticks: NDArray[np.int64], geometry: Geometry) -> float:
    """Mean log error of an interval predicted from the one before, at the phase that suits best; at most 1."""
    spans = np.maximum(np.diff(ticks).astype(float), 0.5)
    if len(spans) < 2:
        return 1.0
    change = np.diff(np.log(spans))
    steps = np.log(np.array(geometry.steps))
    wanted = np.roll(steps, -1) - steps
    index = np.arange(len(change))
    return min(
        float(np.mean(np.minimum(np.abs(change - wanted[(index + phase) % geometry.teeth]), 1.0)))
        for phase in range(geometry.symmetry)
    )


def _roughness(ticks: NDArray[np.int64]) -> float:
    spans = np.maximum(np.diff(ticks).astype(float), 0.5)
    return float(np.median(np.abs(np.diff(np.log(spans), 2)))) + 1e-4 if len(spans) > 2 else 1e9


def _resting_level(edges: Edges) -> int:
    """The level of the longest pause, measured against that level's usual one."""
    spans = np.diff(edges.ticks).astype(float)
    held = edges.levels[:-1]
    reach = []
    for level in (0, 1):
        own = spans[held == level]
        reach.append(float(own.max() / max(np.median(own), 1.0)) if len(own) else 0.0)
    return int(reach[1] > reach[0])


def _by_width(edges: Edges, wheel: Wheel, geometry: Geometry) -> int:
    """Where the wheel's widths are known: the level whose share of time is that of the teeth.

    A half share says nothing; the tooth is then taken for the high level.
    """
    shares: tuple[float, ...] = wheel.widths_deg or (wheel.turn_deg / 2,)
    wanted = sum(shares) / wheel.turn_deg
    misfit = [_misfit(edges.ticks[edges.levels == level], geometry) for level in (0, 1)]
    if abs(misfit[0] - misfit[1]) > CLEARLY:
        return int(misfit[1] < misfit[0])
    spans = np.diff(edges.ticks).astype(float)
    high = float(spans[edges.levels[:-1] == 1].sum() / max(spans.sum(), 1.0))
    return int(abs(high - wanted) <= abs((1.0 - high) - wanted) + 0.02)
