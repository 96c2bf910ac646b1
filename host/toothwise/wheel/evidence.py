"""How well a course of angles suits a course of times: the weight of one explanation of a stretch of edges.

Let edge i pass at time t[i], and let an explanation say that it stands at angle a[i]. The log of the time between
two edges less the log of the angle between them is a log pace; if the explanation is right it is the sum of

    the pace itself   unknown by any factor, so that no speed is preferred
    its drift         a walk: starting, stopping, load
    its swing         waves of half orders a turn, which return in every engine cycle; an engine with a flywheel
                      makes them, and while it cranks they reach 35 %
    the wheel         each edge a little out of its place, by the same angle in every turn
    the reading       each passing a little off by itself, and the clock's own step

All are taken for normal distributions of known width; so the density of the observed log times follows in closed
form (a Gaussian process). Because the swing is a few waves that return, it can lengthen neighbouring pitches but not
one of them alone, and not another one in each cycle: that, and not the ratio of two neighbours, is what tells a gap
from a swing on a wheel of few teeth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ORDERS = np.arange(1, 33) / 2
"""Orders of the swing, waves a turn of the wheel: those of an engine's cycle up to the eighth, doubled for a cam's."""
SWINGS = (0.12, 0.07, 0.04, 0.02)
"""Tried sizes of the swing: usual amplitude of each of the eight lowest waves, relative. All together reach ±35 % with
the largest, a cranking engine's far end; ±15–30 % are usual (from memory)."""
FALL_FROM = 4.0
"""Order above which the waves grow smaller, as order squared: torque of a cycle over inertia (derived)."""
APART = 0.3
"""Height of a half order above that, relative: it sets one turn apart from the next, as only one cylinder's difference
from the others does. Were it free, a gap of every second turn would pass for a swing (derived)."""
HEIGHTS = np.minimum(1.0, (FALL_FROM / ORDERS) ** 2) * np.where((ORDERS % 1 > 0) & (ORDERS > FALL_FROM), APART, 1.0)
DRIFT = 0.15
"""How far the pace walks in one turn, log units."""
TOOTH_DEG = 0.15
"""How far an edge of the wheel usually stands from its place; 0.3 is the far end (common practice, no source)."""
CLOCK = 0.3
"""Error of a time, in ticks (rounding: 1/sqrt(12))."""
FLOOR = 1e-6
"""Least variance of an interval by itself."""
MOST_SQUARE = 1e12
"""More than the squared deviations of any explanation sum up to."""
READ_DEG = 0.05
"""How much a single passing is off (from memory: 0.05–0.1 of a crank degree for a switch)."""


@dataclass(frozen=True, slots=True, eq=False)
class Explanation:
    """Angles for edges.

    angle_deg: (n,), rising, counted on through the turns. edge: (n,), which edge of the wheel it is, the same number
    in every turn. loose_deg: (n,), how far that edge may stand from its angle beyond the usual error of a tooth.
    cost: nats for what the explanation had to choose freely.
    """

    angle_deg: Floats
    edge: Ints
    loose_deg: Floats
    cost: float = 0.0


@dataclass(frozen=True, slots=True)
class Weight:
    """log_density: nats, larger is better; comparable among explanations of the same edges. misfit: mean square of
    the deviations in their own usual size, about 1 or less for a true explanation. swing: which of SWINGS suits."""

    log_density: float
    misfit: float
    swing: float


def weigh(ticks: Ints, explanation: Explanation, swings: Sequence[float] = SWINGS) -> Weight:
    """The weight of an explanation of edges at `ticks` (n,), with that of `swings` that suits best."""
    span = np.maximum(np.diff(ticks).astype(float), 0.5)
    step = np.diff(explanation.angle_deg)
    pace = np.log(span) - np.log(step)
    still, waves = _motion(span, explanation.angle_deg)
    still += _wheel(step, explanation)
    moving = waves @ waves.T
    n = len(pace)
    # With the paces as one more row, the factor's last row is the paces whitened: no equations are left to solve.
    whole = np.empty((len(swings), n + 1, n + 1))
    for one, swing in zip(whole, swings, strict=True):
        one[:n, :n] = still + swing**2 * moving
        one[n, :n] = pace
        one[n, n] = MOST_SQUARE
    lower = np.linalg.cholesky(whole)
    square = np.square(lower[:, n, :n]).sum(axis=1)
    log_size = np.log(np.diagonal(lower, axis1=1, axis2=2)[:, :n]).sum(axis=1)
    density = -0.5 * square - log_size - explanation.cost
    best = int(np.argmax(density))
    return Weight(float(density[best]), float(square[best]) / n, swings[best])


def _motion(span: Floats, angle_deg: Floats) -> tuple[Floats, Floats]:
    """Covariance of pace, drift and reading; and the swing's waves of size 1."""
    step = np.diff(angle_deg)
    middle = np.radians(0.5 * (angle_deg[1:] + angle_deg[:-1]))
    turns = (middle - middle[0]) / (2 * np.pi)
    # Pace: known to a factor of e**10. Drift: a walk.
    fixed = 100.0 + DRIFT**2 * np.minimum.outer(turns, turns)
    # Reading and clock: what makes one interval longer makes its neighbour shorter.
    read, quantum = READ_DEG / step, CLOCK / span
    rows = np.arange(len(span))
    fixed[rows, rows] += 2.0 * (read**2 + quantum**2) + FLOOR
    shared = read[1:] * read[:-1] + quantum[1:] * quantum[:-1]
    fixed[rows[1:], rows[:-1]] -= shared
    fixed[rows[:-1], rows[1:]] -= shared
    # The mean of a wave over an interval is sin(x) / x of it, x being half the wave's angle over it.
    half = np.radians(0.5 * step)
    part = _powers(half).imag / np.multiply.outer(half, ORDERS) * HEIGHTS
    waves = _powers(middle) * part
    return fixed, np.hstack([waves.real, waves.imag])


def _powers(angle: Floats) -> NDArray[np.complex128]:
    """exp(i order angle) for all ORDERS, (n, orders): they are the powers of the lowest."""
    lowest = np.exp(1j * ORDERS[0] * angle)
    return np.cumprod(np.broadcast_to(lowest[:, None], (len(angle), len(ORDERS))), axis=1)


def _wheel(step: Floats, explanation: Explanation) -> Floats:
    """Covariance of the wheel's own edges: each off by itself, by the same angle in every turn."""
    place = explanation.edge
    rows = np.arange(len(step))
    off = np.zeros((len(step), int(place.max()) + 1))
    size = np.hypot(TOOTH_DEG, explanation.loose_deg)
    off[rows, place[1:]] += size[1:] / step
    off[rows, place[:-1]] -= size[:-1] / step
    return np.asarray(off @ off.T)
