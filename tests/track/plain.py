"""A plain reference tracker: slow, whole recordings only, nothing pruned.

Written from what is believed of a turning shaft (the words and numbers in `toothwise.track.motion`), not from the
tracker's code. Every timing edge is a tooth or it is not; between two teeth some of the wheel's may be missing. A
way of reading all edges costs the sum over its steps of

    what its missing teeth cost, what its passed-over edges cost, and
    how far the speed over the step is from the speed over the step before, against what is usual.

The cheapest way is found by the Viterbi algorithm over states that hold a whole step (the edge, its tooth, how many
edges and teeth lie between it and the tooth before), so the comparison of two steps is exact: there is no filter, no
learning and no pruning. It knows no rest, no blind stretch and no dropout longer than `most_missing`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from toothwise.edges.signal import Clock, Edges
from toothwise.track import motion
from toothwise.wheel.pattern import Wheel

from tests.track.signals import Said


@dataclass(frozen=True, eq=False)
class Reading:
    """ticks, places: of the teeth, places counted from the first tooth 1. events: kind, revolution, tooth, count."""

    ticks: NDArray[np.int64]
    places: NDArray[np.int64]
    events: list[Said]


def read(edges: Edges, level: int, wheel: Wheel, clock: Clock, most_missing: int = 5, most_extra: int = 3) -> Reading:
    """Read a recording in which the wheel turns throughout and whose first timing edge is a tooth."""
    at = np.flatnonzero(edges.levels == level)
    ticks = edges.ticks[at]
    chosen, places = _cheapest(ticks * (clock.tick_ns * 1e-9), wheel, clock.tick_ns * 1e-9, most_missing, most_extra)
    n = wheel.teeth
    # Revolution 0 begins at the first tooth 1 seen, or due where it is missing; teeth that look alike begin with 1.
    places = places - places[0] // wheel.symmetry * wheel.symmetry
    if places[0] > 0:
        places = places - n
    events: list[Said] = []
    for a, b, place, after in zip(chosen, chosen[1:], places, places[1:], strict=False):
        gone = int(after - place - 1)
        if gone:
            events.append(("missing", *_name(int(place) + 1, n), gone))
        if b - a > 1:
            # Level changes between two teeth, less the first tooth's own end.
            changes = int(at[b] - at[a] - 1)
            own = int(np.any(edges.levels[at[a] + 1 : at[b]] != level))
            share = (edges.ticks[at[a] + 2] - ticks[a]) / (ticks[b] - ticks[a])
            reached = _angle(wheel, int(place)) + share * (_angle(wheel, int(after)) - _angle(wheel, int(place)))
            tooth = max(p for p in range(int(place), int(after)) if _angle(wheel, p) <= reached)
            events.append(("extra", *_name(tooth, n), changes - own))
    return Reading(ticks[chosen], places, events)


def _name(place: int, n: int) -> tuple[int | None, int]:
    return (place // n if place >= 0 else None), place % n + 1


def _angle(wheel: Wheel, place: int) -> float:
    turn, tooth = divmod(place, wheel.teeth)
    return (turn * wheel.turn_deg + wheel.angles_deg[tooth]) * 360.0 / wheel.turn_deg


def _penalty(sigmas: NDArray[np.float64]) -> NDArray[np.float64]:
    """A parabola up to two standard deviations, straight beyond."""
    return np.where(sigmas <= 2.0, sigmas**2 / 2.0, 2.0 * (sigmas - 1.0))


def _change(later_deg: NDArray[np.float64], earlier_deg: NDArray[np.float64], speed: NDArray[np.float64],
            quanta: NDArray[np.float64]) -> NDArray[np.float64]:  # fmt: skip
    """Usual change of the log of speed from one step to the next, one standard deviation. speed: degrees a second."""
    omega = np.radians(speed)
    apart = np.radians(later_deg + earlier_deg) / 2.0
    pushed = motion.ALPHA_RAD_S2 * apart / omega**2
    swung = motion.SWING_PER_RAD * apart
    shaft = np.minimum(np.minimum(pushed, swung), motion.SWING_MOST)
    places = 2.0 * motion.TOOTH_DEG**2 * (1.0 / later_deg**2 + 1.0 / earlier_deg**2)
    return np.sqrt(shaft**2 + motion.JOLT**2 + places + 2.0 * motion.FLOOR**2 + quanta**2)


def _cheapest(t: NDArray[np.float64], wheel: Wheel, tick_s: float, most_missing: int, most_extra: int
              ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:  # fmt: skip
    """(timing edges that are teeth, places) of the cheapest way."""
    n, many = wheel.teeth, len(t)
    gaps, backs = most_missing + 1, most_extra + 1
    angle = np.array([_angle(wheel, p) for p in range(3 * n + gaps)])
    tooth = np.arange(n)
    missing = np.array([0.0, *(motion.MISSING_FIRST + motion.MISSING_MORE * s for s in range(most_missing))])
    extra = np.array([0.0, *(motion.EXTRA_FIRST + motion.EXTRA_MORE * s for s in range(most_extra))])
    # deg[s, k]: the step from tooth k on over s missing ones; into[s, k]: the step that ends at tooth k.
    deg = np.array([angle[tooth + n + 1 + s] - angle[tooth + n] for s in range(gaps)])
    into = np.array([angle[tooth + n] - angle[tooth + n - 1 - s] for s in range(gaps)])
    # cost[i, b, s, k]: the cheapest way in which edge i is tooth k, the one before it b + 1 edges back, s missing.
    cost = np.full((many, backs, gaps, n), np.inf)
    came = np.zeros((many, backs, gaps, n), np.int64)  # the step before, as b * gaps + s; -1: there is none
    for i in range(1, many):
        for b in range(min(backs, i)):
            j = i - b - 1
            span = t[i] - t[j]
            if j == 0:
                for s in range(gaps):
                    to = (tooth + 1 + s) % n
                    first = np.where(tooth < wheel.symmetry, missing[s] + extra[b], np.inf)
                    cost[i, b, s, to] = first
                    came[i, b, s, to] = -1
                continue
            before = np.array([t[j] - t[j - c - 1] if j > c else np.nan for c in range(backs)])[:, None, None]
            speed = into[None] / before  # (backs, gaps, n)
            for s in range(gaps):
                quanta = tick_s / span + tick_s / before + np.zeros_like(speed)
                usual = _change(deg[s][None, None], into[None], speed, quanta)
                off = np.abs(np.log(deg[s][None, None] / span) - np.log(speed))
                ways = cost[j] + np.where(np.isfinite(off), _penalty(off / usual), np.inf)
                flat = ways.reshape(backs * gaps, n)
                best = np.argmin(flat, axis=0)
                to = (tooth + 1 + s) % n
                cost[i, b, s, to] = flat[best, tooth] + missing[s] + extra[b]
                came[i, b, s, to] = best
    return _back(cost, came, extra)


def _back(cost: NDArray[np.float64], came: NDArray[np.int64], extra: NDArray[np.float64]
          ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:  # fmt: skip
    many, _, gaps, n = cost.shape
    over = [float(cost[i].min()) + float(extra[many - 1 - i]) for i in range(max(1, many - len(extra)), many)]
    i = max(1, many - len(extra)) + int(np.argmin(over))
    b, s, k = np.unravel_index(int(np.argmin(cost[i])), cost.shape[1:])
    chosen, steps = [i], []
    while True:
        step, edge = int(came[i, b, s, k]), i - int(b) - 1
        steps.append(int(s) + 1)
        chosen.append(edge)
        k = (k - 1 - s) % n
        if step < 0:
            break
        i, (b, s) = edge, divmod(step, gaps)
    places = int(k) + np.concatenate([[0], np.cumsum(steps[::-1])])
    return np.array(chosen[::-1]), places
