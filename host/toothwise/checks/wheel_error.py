"""Where each tooth stands against its pattern, and how round the wheel runs, learnt while an engine turns it.

A mean cycle's deviation from a smooth run (see `cycle_shape`) is the sum of four things, told apart by their shape:

    tooth errors     the same in both turns, and as rough as can be: each tooth by itself, spread `sigma`
    runout           the same in both turns, once and twice a turn
    engine           waves of whole and half orders a turn, the finer the smaller: speed is what torque leaves
                     after inertia, and angle is what speed leaves after another integration. Firing makes one
                     order and its multiples larger than the rest
    what varies      from cycle to cycle; its covariance is measured, and shrinks with the number of cycles

Each is a normal distribution; sizes and slopes are those that make the measured mean most likely, and the tooth
errors are what is then to be expected, with the spread that is left. Where the engine's waves are as large as a
wheel's error of the same order could be, the two cannot be told apart, and the uncertainty says so. Several speeds
help: the wheel's part is the same in all.

The idea, a Bayesian linear regression on the wheel's geometry with a smooth speed, is that of Diamond, Heyns and
Oberholster 2016, MSSP 81:402–418 [S]; waves of the engine's own orders are added here, because at idle they repeat
with the wheel.

A tooth's error has the runout taken off, and the mean of all teeth is 0. Positive is late.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.cycle_shape import CycleShape, Group
from toothwise.edges.signal import Clock
from toothwise.records import Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

Floats = NDArray[np.float64]

RUNOUT_DEG = 0.3
"""How large runout may be: only the scale of a prior. 0.1 mm off centre at 75 mm is 0.076° [D]."""
FREE, KNOWN = 1e4, 1e-6
"""Variances of what is not known at all, and of what is known as well as can be, degrees²."""
FIRING_ORDERS = (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0)
"""Two to eight cylinders, ten and twelve, four strokes."""
STANDS_OUT = 4.0
"""A wave is the firing's if it is so many times what tooth errors alone make at any order: their spread times
2 / sqrt(teeth) [D]."""
NO_FIRING = -20.0
"""Log of a firing's wave in degrees, where there is none."""
HARMONIC = 0.6
"""Share of the largest wave, for its slope, at which a lower order is the firing's and the larger one its harmonic."""
UNEVEN = 0.05
"""How far a good engine's cylinders differ, as a share of the torque's wave at the firing order: their pressures lie
within a tenth or so of one another (common practice, no source)."""
MASSES_DEG = 0.15
"""Angle that the pistons' changing inertia makes at the firing order, the same at any speed: four pistons of
0.45 kg on 45 mm with 0.2 kg·m² make 0.13° at order 2 [D]."""
HIGHEST_ORDER = 16
FEW_TEETH = 8.0
"""Of the teeth, about so many shares of an error the engine's waves leave unknown: four orders, two shares each [D]."""
MOST_GROUPS = 4
APART = 4.0
"""Mean square by which what two speeds say of the wheel may differ, in their uncertainties: 1 is expected. A group that
is further from the first was no steady running, or its engine's waves are none that the model knows."""
MOST_RUNOUT_DEG = 1.5
"""No wheel that an engine runs with is further off; what says so says something else."""
LARGE = 4.0
"""A tooth so many spreads from its place is one by itself: it does not speak for the others."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """A wheel as it was learnt.

    error_deg, uncertainty_deg: (teeth,), each tooth's error and its standard uncertainty.
    covariance: (teeth, teeth), of the errors. runout_deg, runout_uncertainty_deg: amplitudes once and twice a turn.
    whole_deg: (teeth,), errors and runout together. cycles: how many were used.
    """

    error_deg: Floats
    uncertainty_deg: Floats
    covariance: Floats
    runout_deg: tuple[float, float]
    runout_uncertainty_deg: tuple[float, float]
    whole_deg: Floats
    cycles: int


class WheelError:
    """Feed a channel's teeth, then ask what was learnt. cylinders: of the engine that turns the wheel, if known."""

    def __init__(self, wheel: Wheel, clock: Clock, cylinders: int | None = None) -> None:
        self.wheel = wheel
        self._order = None if cylinders is None else cylinders / 2
        self._shape = CycleShape(wheel, clock)
        self._tick_s = clock.tick_ns * 1e-9

    def add(self, teeth: Teeth) -> None:
        self._shape.feed(teeth)

    def result(self) -> Learnt | None:
        """None where the wheel has too few teeth to tell them from the engine, or too few whole cycles were seen."""
        if self.wheel.teeth < 6 or self.wheel.turn_deg != 360.0:
            return None
        groups = self._shape.finish()[:MOST_GROUPS]
        if not groups:
            return None
        for some in (groups, groups[:1]):
            learnt = learn(self._shape, some, self._order)
            if max(learnt.runout_deg) < MOST_RUNOUT_DEG:
                return learnt
        return None

    @staticmethod
    def measures(learnt: Learnt | None) -> list[Measure]:
        """`tooth_error`, one a tooth, `runout_1` and `runout_2`."""
        if learnt is None:
            return []
        pairs = zip(learnt.error_deg.tolist(), learnt.uncertainty_deg.tolist(), strict=True)
        out = [Measure("tooth_error", e, "deg", u, {"tooth": n + 1}) for n, (e, u) in enumerate(pairs)]
        for order, value, doubt in zip((1, 2), learnt.runout_deg, learnt.runout_uncertainty_deg, strict=True):
            out.append(Measure(f"runout_{order}", value, "deg", doubt))
        return out


class _Model:
    """Covariances over the 2N teeth of a cycle."""

    def __init__(self, shape: CycleShape) -> None:
        n = shape.wheel.teeth
        angle = np.radians(shape.geometry.angle_deg)
        self.teeth = n
        # On few teeth the higher ones look like lower ones; they are there all the same.
        self.orders = np.arange(1, 2 * HIGHEST_ORDER + 1) / 2
        waves = [np.stack([np.cos(k * angle), np.sin(k * angle)], axis=1) for k in self.orders]
        self.waves = np.stack(waves)  # (orders, 2N, 2)
        self.runout = np.concatenate([waves[1][:n], waves[3][:n]], axis=1)  # (N, 4), orders 1 and 2
        self.trend = FREE * shape.geometry.trend @ shape.geometry.trend.T

    def at(self, order: float) -> int:
        """Where that order stands among the waves."""
        return round(2 * order) - 1

    def engine(self, size: float, slope: float, firing: float, firing_slope: float, order: float) -> Floats:
        """Variance of each order's two waves."""
        variance = (size * self.orders**-slope) ** 2
        variance = variance + np.where(
            self.orders % order == 0, (firing * (self.orders / order) ** -firing_slope) ** 2, 0.0
        )
        return np.asarray(variance)

    def products(self, group: Group) -> Floats:
        """Variance of each order's two waves that the speed's waves make of one another, as large as they are seen.

        Time is angle over speed, and speed is what the root of energy leaves: what is a few waves in the torque has
        their sums and differences too, about as high as the waves of the squared swing of slowness. A wave of
        slowness of order k is one of angle of 1 / k radian for its height [D].
        """
        swing = group.slowness / group.slowness.mean() - 1.0
        squared = swing**2 - (swing**2).mean()
        # Finer ones than the teeth can show are as fine as none.
        heights = np.array([_size(self, squared, k) if k < self.teeth / 2 else 0.0 for k in self.orders])
        return np.asarray(np.degrees(heights / self.orders) ** 2 / 2.0)


def learn(shape: CycleShape, groups: list[Group], order: float | None = None) -> Learnt:
    """What the groups' mean cycles say of the wheel; the first group sets the size of tooth errors. order: that of the
    firing, where the engine is known."""
    model = _Model(shape)
    single = np.ones(model.teeth)
    sigma, found = 0.03, []
    solved: tuple[Floats, Floats, Floats, Floats] | None = None
    for _ in range(2):
        first = _fit(model, groups[0], single, None, order)
        sigma = first[0]
        found = [first, *(_fit(model, group, single, sigma, order or first[2]) for group in groups[1:])]
        solved = _solve(model, *_agreeing(model, groups, found, single, sigma), single, sigma)
        error = solved[0]
        large = np.abs(error) > LARGE * sigma
        wanted = np.where(large, (error / sigma) ** 2, 1.0)
        if np.allclose(wanted, single, rtol=0.2):
            break
        single = wanted
    assert solved is not None
    error, covariance, runout, runout_covariance = solved
    sizes, doubts = [], []
    for at in (0, 2):
        size = float(np.hypot(runout[at], runout[at + 1]))
        part = runout_covariance[at : at + 2, at : at + 2]
        along = runout[at : at + 2] / max(size, 1e-9)
        sizes.append(size)
        doubts.append(float(np.sqrt(max(along @ part @ along, np.trace(part) / 2, 0.0))))  # below 0 by rounding
    # The size of tooth errors was itself estimated, from the few teeth there are.
    covariance = covariance * (1 + FEW_TEETH / model.teeth)
    return Learnt(
        error,
        np.sqrt(np.maximum(np.diag(covariance), 0.0)),
        covariance,
        (sizes[0], sizes[1]),
        (doubts[0], doubts[1]),
        error + model.runout @ runout,
        sum(g.count for g in groups),
    )


Fit = tuple[float, Floats, float]
"""Spread of tooth errors, variance of the engine's waves by order, and the firing order, 0 where nothing fires."""


def _fit(model: _Model, group: Group, single: Floats, sigma: float | None, order: float | None = None) -> Fit:
    """Most likely sizes: of tooth errors (unless given), and of the engine's waves by order. order: that of the firing,
    where the engine is known or another speed has shown it already.

    Worked on the mean of the two turns, which holds the wheel and the whole orders, and on half their difference,
    which holds the half orders; that the two also vary together a little is left out here.
    """
    n = model.teeth
    turns = np.stack([np.hstack([np.eye(n), np.eye(n)]) / 2, np.hstack([np.eye(n), -np.eye(n)]) / 2])
    rough = group.mean_covariance + model.trend + KNOWN * np.eye(2 * n)
    means = turns @ group.mean
    bases = turns @ rough @ turns.transpose(0, 2, 1)
    shows = turns @ group.shows
    bases += RUNOUT_DEG**2 * (shows @ model.runout) @ (shows @ model.runout).transpose(0, 2, 1)
    wheel = (shows * single) @ shows.transpose(0, 2, 1)
    waves = np.stack([model.waves[1::2, :n], model.waves[0::2, :n]])
    firing_order = order or _firing_order(model, group.mean)

    def cost(p: Floats) -> float:
        variance = model.engine(np.exp(p[1]), p[2], np.exp(p[3]), p[4], firing_order)
        sizes = np.stack([variance[1::2], variance[0::2]])
        # Slopes about 3 [D: torque of slope 1 over two integrations], sizes anywhere.
        expected = ((p[2] - 2.5) / 0.7) ** 2 + ((p[4] - 3.0) / 0.7) ** 2
        return float(expected) + _unlikely(means, bases + np.exp(2 * p[0]) * wheel + _joined(waves, sizes))

    start = np.array([np.log(sigma or 0.03), np.log(0.05), 2.5, np.log(0.3), 3.0])
    step = np.array([0.7 if sigma is None else 0.0, 1.0, 0.5, 1.0, 0.5])
    best = _descend(cost, start, step)
    seen = _size(model, group.mean, firing_order)
    fires = seen > STANDS_OUT * np.exp(best[0]) * 2.0 / np.sqrt(n)
    if not fires:  # as on a bench: no order is set apart
        best = _descend(cost, np.array([*best[:3], NO_FIRING, 3.0]), np.array([*step[:3], 0.0, 0.0]))
    variance = model.engine(np.exp(best[1]), best[2], np.exp(best[3]), best[4], firing_order)
    if fires and (firing_order > 1.0 or order):
        # A wave without harmonics looks less like an engine's; but every engine has one at its firing order.
        at = model.at(firing_order)
        variance[at] = max(variance[at], seen**2 / 2.0)
    if fires:
        # So is one at the orders below, if not at all of them: it is enough that every other cylinder is the weaker.
        uneven = UNEVEN * seen * (firing_order / model.orders) ** 2  # angle is torque after two integrations
        variance = np.maximum(variance, np.where(model.orders < firing_order, uneven**2 / 2.0, 0.0))
    # Not while the sizes are sought: what is as large as seen explains itself, and leaves nothing to seek.
    variance = variance + model.products(group)
    return float(np.exp(best[0])), variance, firing_order if fires else 0.0


def _joined(waves: Floats, variance: Floats) -> Floats:
    """Covariance of waves (..., orders, teeth, 2) with variances (..., orders)."""
    sized = (waves * np.sqrt(variance)[..., None, None]).swapaxes(-3, -2)
    flat = sized.reshape(*sized.shape[:-2], -1)
    return np.asarray(flat @ flat.swapaxes(-2, -1))


def _unlikely(means: Floats, covariances: Floats) -> float:
    """-2 log density, but for a constant, of means (k, n), each normal about 0 with its covariance (k, n, n).

    One factorisation gives both parts: with the mean as one more row below the covariance, that row of the factor is
    the mean in units in which it is white. What stands in the corner only has to be large.
    """
    many, n = means.shape
    framed = np.empty((many, n + 1, n + 1))
    framed[:, :n, :n], framed[:, n, :n], framed[:, n, n] = covariances, means, 1e200
    try:
        factor = np.linalg.cholesky(framed)
    except np.linalg.LinAlgError:  # not a covariance any more, by rounding
        return float("inf")
    at = np.arange(n)
    return float((factor[:, n, :n] ** 2).sum() + 2 * np.log(factor[:, at, at]).sum())


def _firing_order(model: _Model, mean: Floats) -> float:
    """The lowest order that is as large as an engine's firing is against its harmonics."""
    seen = {k: _size(model, mean, k) * k**1.5 for k in FIRING_ORDERS if k < model.teeth / 2}
    return next(k for k, size in seen.items() if size >= HARMONIC * max(seen.values()))


def _size(model: _Model, mean: Floats, order: float) -> float:
    """Of the wave of that order, degrees."""
    return float(np.hypot(*np.linalg.lstsq(model.waves[model.at(order)], mean, rcond=None)[0]))


def _descend(cost: Callable[[Floats], float], start: Floats, step: Floats) -> Floats:
    """A pattern search along each axis in turn, steps halved when none helps; an axis without a step stays."""
    best, least = start.copy(), cost(start)
    while step.max() > 0.1:
        moved = False
        for axis in np.flatnonzero(step > 0).tolist():
            for sign in (1.0, -1.0):
                trial = best.copy()
                trial[axis] += sign * step[axis]
                now = cost(trial)
                if now < least - 1e-3:
                    best, least, moved = trial, now, True
                    break
        if not moved:
            step = step / 2
    return best


def _agreeing(
    model: _Model, groups: list[Group], found: list[Fit], single: Floats, sigma: float
) -> tuple[list[Group], list[Fit]]:
    """The first group, and those of the others that say the same of the wheel."""
    kept, fits = groups[:1], found[:1]
    base, base_variance = _whole(model, kept, fits, single, sigma)
    for group, fit in zip(groups[1:], found[1:], strict=True):
        other, variance = _whole(model, [group], [fit], single, sigma)
        if float(np.mean((other - base) ** 2 / (variance + base_variance))) < APART:
            kept, fits = [*kept, group], [*fits, fit]
    return kept, fits


def _whole(model: _Model, groups: list[Group], found: list[Fit], single: Floats, sigma: float) -> tuple[Floats, Floats]:
    """Each tooth's error and the runout there together, and their variance."""
    error, covariance, runout, runout_covariance = _solve(model, groups, found, single, sigma)
    variance = np.diag(covariance) + np.diag(model.runout @ runout_covariance @ model.runout.T)
    return error + model.runout @ runout, np.maximum(variance, 1e-9)


def _solve(
    model: _Model, groups: list[Group], found: list[Fit], single: Floats, sigma: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Tooth errors and runout with their covariances, from all groups together."""
    n = model.teeth
    precision, pull = np.zeros((n, n)), np.zeros(n)
    for group, (_, variance, _) in zip(groups, found, strict=True):
        other = group.mean_covariance + model.trend + _joined(model.waves, variance)
        shows = group.shows
        weight = np.linalg.solve(other + KNOWN * np.eye(2 * n), shows)
        precision += shows.T @ weight
        pull += weight.T @ group.mean
    wheel = sigma**2 * np.diag(single)
    runout = RUNOUT_DEG**2 * np.eye(4)
    masses = np.zeros((n, n))
    if len(groups) > 1:
        for multiple in (1, 2):
            order = found[0][2] * multiple
            if order and order % 1 == 0 and order <= HIGHEST_ORDER:
                wave = model.waves[model.at(order)][:n]
                masses += (MASSES_DEG * multiple**-4.0) ** 2 * wave @ wave.T
    prior = wheel + model.runout @ runout @ model.runout.T + masses
    gain = np.linalg.inv(np.eye(n) + precision @ prior)
    error = wheel @ gain @ pull
    covariance = wheel - wheel @ gain @ precision @ wheel
    spread = model.runout @ runout
    waves = spread.T @ gain @ pull
    waves_covariance = runout - spread.T @ gain @ precision @ spread
    centre = np.eye(n) - 1.0 / n
    return centre @ error, centre @ covariance @ centre.T, waves, waves_covariance
