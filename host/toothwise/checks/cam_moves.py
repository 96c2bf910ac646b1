"""How the cam moves against the crank while it is watched: a lasting step, to and fro, or with the speed.

What each points to (the causes weigh it): one step of a whole sprocket tooth, a belt that jumps; steps of any
other size, a ring that slips; to and fro, an actuator; none at all says nothing about where it stands.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.cam_edges import CYCLE_DEG, CamEdges
from toothwise.records import Measure
from toothwise.scatter import sigma

Floats = NDArray[np.float64]

_SMOOTH = 9
_SIDE = 12
"""Cycles on each side of a step, so that one bad cycle makes none."""

_SUDDEN = 8
"""Cycles within which a step is over; an actuator at 50 to 150° a second [M] takes about as long at idle."""

_STEP_DEG = 2.5
"""A smaller lasting step is not told: a sprocket's tooth is 15 to 20° [D], a worn chain's play about a degree or two;
common practice, no source."""

_STOP_DEG = 1.0
"""So near the same place an actuator stops again; common practice, no source."""

_AT_A_STOP = 0.4
"""It is at its stop every other time; a step in eight may have been too slow to be one."""

_WITH_SPEED = 1.15
"""A change of speed across a step by so much may be what moved the cam; common practice, no source."""

_RATIO = 1.3
"""Speeds must differ by so much before a slope against them means anything."""

_MOST = 20_000

_ALIKE_DEG = 20.0
"""A cam whose two turns differ by less than this cannot tell them apart: a phaser moves it as far."""


def moves(t_s: Floats, rpm: Floats, shift_deg: Floats) -> list[Measure]:
    """Measures of the movement over cycles in order of time; empty for fewer than 40 of them.

    t_s, rpm, shift_deg: (n,), one a cycle: time, mean speed, and how late the cam is in crank degrees against
    wherever zero was put; NaN where a cycle has no cam.

    cam_step: the lasting steps, as the largest one, with `times`, when the largest was and whether the speed changed
    with it; cam_swing: how far
    it goes to and fro besides, 5th to 95th percentile; cam_speed_slope: degrees per 1000 rpm, where the speed
    varied; cam_drift: degrees a minute over the whole.
    """
    good = np.isfinite(shift_deg) & np.isfinite(t_s) & np.isfinite(rpm)
    t, speed, shift = (x[good][-_MOST:] for x in (t_s, rpm, shift_deg))
    if len(t) < 40:
        return []
    smooth = _running_median(shift)
    noise = float(sigma(shift - smooth)) + 1e-3
    steps, at = _steps(smooth, noise)
    rest = smooth - _staircase(len(smooth), steps, at)
    low, high = np.percentile(rest, [5, 95])
    swing = float(high - low)
    returns = _returns(steps, max(_STOP_DEG, 4 * noise))
    if steps and (returns or swing > 0.6 * max(abs(s) for s in steps)):
        # It does not stay where the steps put it: that is moving, not stepping.
        low, high = np.percentile(smooth, [5, 95])
        steps, at, rest, swing = [], [], smooth, float(high - low)
    doubt = noise / np.sqrt(_SMOOTH)
    measures = [Measure("cam_swing", swing, "deg", doubt)]
    if steps:
        largest = int(np.argmax(np.abs(steps)))
        place = at[largest]
        sides = np.median(speed[max(0, place - _SIDE) : place]), np.median(speed[place : place + _SIDE])
        about = {
            "times": len(steps),
            "at_s": round(float(t[place]), 3),
            "with_speed": bool(max(sides) > _WITH_SPEED * min(sides)),
        }
        measures.insert(0, Measure("cam_step", float(steps[largest]), "deg", doubt, about))
    if np.percentile(speed, 95) > _RATIO * np.percentile(speed, 5):
        slope, spread = _slope(speed / 1000.0, rest)
        measures.append(Measure("cam_speed_slope", slope, "deg per 1000 rpm", spread))
    if t[-1] > t[0]:
        drift, spread = _slope((t - t[0]) / 60.0, rest)
        measures.append(Measure("cam_drift", drift, "deg a minute", spread))
    return measures


def _running_median(x: Floats) -> Floats:
    half = _SMOOTH // 2
    padded = np.concatenate([np.full(half, np.median(x[:_SMOOTH])), x, np.full(half, np.median(x[-_SMOOTH:]))])
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, _SMOOTH), axis=1))


def _steps(smooth: Floats, noise: float) -> tuple[list[float], list[int]]:
    """Sudden changes between two quiet sides, in order of time: sizes and where."""
    n = len(smooth)
    sides = np.lib.stride_tricks.sliding_window_view(smooth, _SIDE)
    middle, spread = np.median(sides, axis=1), np.ptp(sides, axis=1)
    before = np.arange(0, n - 2 * _SIDE - _SUDDEN + 1)
    after = before + _SIDE + _SUDDEN
    change = middle[after] - middle[before]
    limit = np.maximum(_STEP_DEG, 6 * noise)
    quiet = np.maximum(spread[before], spread[after]) < 0.4 * np.abs(change)
    found = np.flatnonzero((np.abs(change) > limit) & quiet)
    sizes: list[float] = []
    places: list[int] = []
    for run in np.split(found, np.flatnonzero(np.diff(found) > _SIDE) + 1) if len(found) else []:
        best = int(run[np.argmax(np.abs(change[run]))])
        # The step is where the middle between both levels is passed.
        way = (smooth[best : best + 2 * _SIDE + _SUDDEN] - middle[best]) / change[best]
        places.append(best + int(np.argmax(way > 0.5)))
    bounds = [0, *places, n]
    for left, place, right in zip(bounds, places, bounds[2:], strict=False):
        old = smooth[left + (_SUDDEN if left else 0) : place - _SUDDEN // 2]
        new = smooth[place + _SUDDEN // 2 : right - (_SUDDEN if right < n else 0)]
        sizes.append(float(np.median(new) - np.median(old)))
    return sizes, places


def _returns(steps: list[float], near: float) -> bool:
    """Whether it comes back to one end of its way again and again, as an actuator to its stop: what slips does not."""
    levels = np.cumsum([0.0, *steps])
    most = max(int((np.abs(levels - end) < near).sum()) for end in (levels.min(), levels.max()))
    return most >= 2 and most >= _AT_A_STOP * len(levels)


def _staircase(n: int, steps: list[float], at: list[int]) -> Floats:
    stairs = np.zeros(n)
    for size, place in zip(steps, at, strict=True):
        stairs[place:] += size
    return stairs


def _slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Least squares, with its standard error; the nine-point median makes neighbours alike."""
    x = x - x.mean()
    whole = float(x @ x)
    if whole == 0.0:
        return 0.0, 0.0
    slope = float(x @ (y - y.mean())) / whole
    left = y - y.mean() - slope * x
    return slope, float(np.sqrt(left @ left / max(1, len(x) - 2) / whole * _SMOOTH))


def of_cycles(t_s: Floats, rpm: Floats, angles_deg: Floats) -> list[Measure]:
    """`moves` of whole cycles as `CamEdges.cycles` gives them; angles_deg: (cycles, edges)."""
    if not angles_deg.size:
        return []
    return moves(t_s, rpm, np.asarray(np.median(angles_deg - np.median(angles_deg, axis=0), axis=1)))


def first_turn(cam: CamEdges) -> int | None:
    """Which turn of the tracker's count begins the cycle as `cam_edge` has it: 0 the even ones, 1 the odd ones.

    None where the cam does not say: no whole cycle, or a pattern that is the same in both turns.
    """
    _, _, angles, _ = cam.cycles()
    placed = cam.edges_deg()[0]
    if not len(placed):
        return None
    plain = np.sort(np.median(angles, axis=0) % CYCLE_DEG)
    turned = np.sort((plain + CYCLE_DEG / 2) % CYCLE_DEG)
    apart = [float(np.abs((placed - x + 360.0) % CYCLE_DEG - 360.0).max()) for x in (plain, turned)]
    if max(apart) < _ALIKE_DEG:
        return None
    return int(np.argmin(apart))
