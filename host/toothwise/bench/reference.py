"""Where a sensor's edges stand, freed of the wheel's and the spindle's errors.

With a master sensor on the same wheel: the same tooth passes both, so whatever is wrong with the tooth is wrong twice
and cancels. What is left is the angle that the spindle turned between the two passings,

    position of tooth k in turn r  =  theta(t_sensor) - theta(t_master)

theta is the spindle's angle, and is taken from the master's own teeth: the line through the mean of one whole turn
around the moment, with that turn's mean speed. A whole turn of teeth has every tooth once, so tooth errors and runout
do not enter. A spindle that is uneven in the same way every turn is mistaken by its own wave over the angle between
the sensors: mount them less than a pitch apart and it is nothing.

Without a master, the sensor's own teeth give their places against that line, wheel, runout and spindle included; a
wheel learnt in the same way from a master sensor's run on the same spindle is taken off.

Uncertainties are standard ones, from the scatter over turns (type A, GUM 4.2), widened by Student's t for the number of
turns so that twice of it covers about 95 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.bench.special import t_quantile
from toothwise.edges.signal import Clock
from toothwise.track.teeth import Teeth
from toothwise.wheel.learnt import LearntWheel
from toothwise.wheel.pattern import Wheel

Floats = NDArray[np.float64]

FEWEST_TURNS = 12
BLOCKS = 12
"""The mean's uncertainty is taken from so many blocks of turns, so that slow wandering is in it."""


@dataclass(frozen=True, slots=True, eq=False)
class Positions:
    """Of one sensor. Degrees of the wheel; positive is late.

    mean_deg: of all teeth against the master; None without one. tooth_deg: (teeth,), each tooth's deviation from the
    mean. uncertainty: of the mean and of each tooth. repeatability_deg: how far one edge scatters from turn to turn,
    the master's own scatter included. turns: how many were used.
    """

    mean_deg: float | None
    mean_uncertainty_deg: float
    tooth_deg: Floats
    tooth_uncertainty_deg: Floats
    repeatability_deg: float
    repeatability_uncertainty_deg: float
    turns: int

    @property
    def spread(self) -> tuple[float, float]:
        """How far the worst tooth is from the mean, and how sure that is."""
        worst = int(np.argmax(np.abs(self.tooth_deg)))
        return float(abs(self.tooth_deg[worst])), float(self.tooth_uncertainty_deg[worst])


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """The smooth run through one sensor's teeth, one row a tooth that has a whole turn around it.

    number: absolute tooth number, turn x teeth + tooth - 1. t_s. angle_deg: nominal. smooth_deg: the line's angle at
    t_s. speed_deg_s: of that turn.
    """

    number: NDArray[np.int64]
    t_s: Floats
    angle_deg: Floats
    smooth_deg: Floats
    speed_deg_s: Floats


def joined(parts: list[Teeth]) -> Teeth:
    """Teeth in order of time as one, without their events."""
    if not parts:
        empty = np.empty(0, np.int64)
        return Teeth(empty, empty, empty.astype(np.int32), empty, empty.astype(np.int32))
    return Teeth(
        np.concatenate([part.ticks for part in parts]),
        np.concatenate([part.back_ticks for part in parts]),
        np.concatenate([part.tooth for part in parts]),
        np.concatenate([part.revolution for part in parts]),
        np.concatenate([part.turning for part in parts]),
    )


def line_of(wheel: Wheel, teeth: Teeth, clock: Clock) -> Line | None:
    """Through the longest unbroken run of teeth; None where that is shorter than FEWEST_TURNS and two."""
    n = wheel.teeth
    known = teeth.revolution >= 0
    number = teeth.revolution[known] * n + teeth.tooth[known] - 1
    ticks, turning = teeth.ticks[known], teeth.turning[known]
    breaks = np.flatnonzero((np.diff(number) != 1) | (np.diff(turning) != 0)) + 1
    starts = np.concatenate([[0], breaks]).astype(int)
    ends = np.concatenate([breaks, [len(number)]]).astype(int)
    longest = int(np.argmax(ends - starts))
    run = slice(int(starts[longest]), int(ends[longest]))
    number, ticks = number[run], ticks[run]
    if len(number) < (FEWEST_TURNS + 2) * n:
        return None
    t = (ticks - ticks[0]) * (clock.tick_ns * 1e-9)
    angle = number // n * wheel.turn_deg + np.array(wheel.angles_deg)[number % n]
    origin = angle[0]
    angle = angle - origin  # small numbers keep their digits in the sums
    half = n // 2
    first = np.arange(len(t) - n)  # window first to first + n - 1, around first + half
    sums_t = np.concatenate([[0.0], np.cumsum(t)])
    sums_a = np.concatenate([[0.0], np.cumsum(angle)])
    mean_t = (sums_t[first + n] - sums_t[first]) / n
    mean_a = (sums_a[first + n] - sums_a[first]) / n
    speed = wheel.turn_deg / (t[first + n] - t[first])
    here = first + half
    smooth = mean_a + speed * (t[here] - mean_t)
    at = t[here] + float(ticks[0]) * clock.tick_ns * 1e-9
    return Line(number[here], at, angle[here] + origin, smooth + origin, speed)


def against_master(wheel: Wheel, sensor: Teeth, master: Teeth, clock: Clock) -> Positions | None:
    """None where the two were not seen together for enough turns."""
    n = wheel.teeth
    line = line_of(wheel, master, clock)
    if line is None:
        return None
    known = sensor.revolution >= 0
    number = sensor.revolution[known] * n + sensor.tooth[known] - 1
    at = sensor.ticks[known] * (clock.tick_ns * 1e-9)
    inside = (at >= line.t_s[0]) & (at <= line.t_s[-1])
    number, at = number[inside], at[inside]
    if len(at) < FEWEST_TURNS * n // 2:
        return None
    # Spindle angles by the line, and by the master's teeth with their mean errors: the first is free of the wheel,
    # the second follows what the spindle does between two teeth.
    tooth = line.number % n
    error = _by_tooth(line.smooth_deg - line.angle_deg, tooth, n)
    smooth = np.interp(at, line.t_s, line.smooth_deg)
    close = np.interp(at, line.t_s, line.angle_deg + error[tooth])
    nominal = number // n * wheel.turn_deg + np.array(wheel.angles_deg)[number % n]
    period = wheel.turn_deg * wheel.symmetry / n
    shift = round(float(np.median(smooth - nominal)) / period) * round(wheel.symmetry)
    moved = number + shift  # the master's number of the same tooth
    place = moved - line.number[0]
    there = (place >= 0) & (place < len(line.number))
    moved, place, number = moved[there], place[there], number[there]
    position = smooth[there] - line.smooth_deg[place]
    steady = close[there] - line.angle_deg[place] - error[tooth[place]]
    return _positions(position, steady, number, n, clock, float(np.median(line.speed_deg_s)), with_mean=True)


def against_learnt(wheel: Wheel, sensor: Teeth, clock: Clock, learnt: LearntWheel | None) -> Positions | None:
    """From the sensor's own run; the learnt wheel's errors taken off, or nothing where there is none."""
    line = line_of(wheel, sensor, clock)
    if line is None:
        return None
    position = line.smooth_deg - line.angle_deg
    speed = float(np.median(line.speed_deg_s))
    found = _positions(position, position, line.number, wheel.teeth, clock, speed, with_mean=False)
    if found is None or learnt is None:
        return found
    known = np.array(learnt.error_deg)
    tooth = found.tooth_deg - (known - known.mean())
    doubt = np.hypot(found.tooth_uncertainty_deg, np.array(learnt.uncertainty_deg))
    return Positions(None, 0.0, tooth, doubt, found.repeatability_deg, found.repeatability_uncertainty_deg, found.turns)


def learn(wheel: Wheel, master: Teeth, clock: Clock, origin: str) -> LearntWheel | None:
    """The wheel as a master sensor's run shows it on this spindle, runout and even spindle waves included."""
    found = against_learnt(wheel, master, clock, None)
    if found is None:
        return None
    return LearntWheel(
        wheel.name,
        tuple(found.tooth_deg.tolist()),
        tuple(found.tooth_uncertainty_deg.tolist()),
        revolutions=found.turns,
        origin=origin,
    )


def _by_tooth(values: Floats, tooth: NDArray[np.int64], n: int) -> Floats:
    """Mean a tooth."""
    count = np.bincount(tooth, minlength=n)
    return np.asarray(np.bincount(tooth, values, minlength=n) / np.maximum(count, 1))


def _positions(
    position: Floats,
    steady: Floats,
    number: NDArray[np.int64],
    n: int,
    clock: Clock,
    speed_deg_s: float,
    *,
    with_mean: bool,
) -> Positions | None:
    turn, tooth = number // n, number % n
    turn = turn - turn[0]
    count = np.bincount(tooth, minlength=n)
    if count.min() < FEWEST_TURNS:
        return None
    rounding = speed_deg_s * clock.tick_ns * 1e-9 / math.sqrt(12.0)  # one edge cannot be known better (GUM 4.3.7)
    mean = _by_tooth(position, tooth, n)
    spread = np.sqrt(_by_tooth((position - mean[tooth]) ** 2, tooth, n) * count / (count - 1))
    wider = np.array([t_quantile(0.975, c - 1) for c in count.tolist()]) / 2.0
    own = np.maximum(spread, rounding) / np.sqrt(count) * wider
    off = steady - _by_tooth(steady, tooth, n)[tooth]
    free = max(len(off) - n, 1)
    # Slow changes of the whole wheel's place are the spindle's and the mount's, not the edge's.
    by_turn = np.bincount(turn, off) / np.maximum(np.bincount(turn), 1)
    repeatability = math.sqrt(float(((off - by_turn[turn]) ** 2).sum()) / max(free - int(turn[-1]), 1))
    block = np.minimum(turn * BLOCKS // (int(turn[-1]) + 1), BLOCKS - 1)
    level = position - mean[tooth]
    blocks = np.bincount(block, level, BLOCKS) / np.maximum(np.bincount(block, minlength=BLOCKS), 1)
    whole = float(np.std(blocks, ddof=1)) / math.sqrt(BLOCKS) * t_quantile(0.975, BLOCKS - 1) / 2.0
    return Positions(
        float(mean.mean()) if with_mean else None,
        max(whole, rounding / math.sqrt(len(position))),
        mean - mean.mean(),
        own,
        repeatability,
        repeatability / math.sqrt(2.0 * free),
        int(count.min()),
    )
