"""Speeds that no engine made: constant, ramps, swings of any order, random walks.

They stand beside the torque balance so that nothing downstream can lean on the shape of one engine.
Speeds are revolutions a minute of the shaft the wheel sits on, angles are degrees of that shaft.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toothwise.model.motion import Floats, Motion

RPM = 6.0
"""Degrees a second in one revolution a minute."""


@dataclass(frozen=True, slots=True)
class Swing:
    """A relative change of speed within the revolution.

    order: waves a revolution; need not be whole (0.5 is once an engine cycle).
    depth: peak as a share of the speed, below 1.
    phase_deg: of the wave.
    """

    order: float
    depth: float
    phase_deg: float = 0.0


def steady(
    rpm: float,
    revolutions: float,
    *,
    start_deg: float = 0.0,
    swings: tuple[Swing, ...] = (),
    walk: float = 0.0,
    rng: np.random.Generator | None = None,
    step_deg: float = 2.0,
) -> Motion:
    """A mean speed with swings, and with a random walk of relative size `walk` a revolution that is pulled
    back to the mean over about ten revolutions."""
    angle = _grid(start_deg, revolutions, step_deg)
    factor = _swung(angle, swings)
    if walk > 0.0:
        factor = factor * np.exp(_wandering(len(angle), walk, step_deg, rng or np.random.default_rng(0)))
    return Motion.of_speeds(angle, rpm * RPM * factor)


def ramp(
    from_rpm: float,
    to_rpm: float,
    seconds: float,
    *,
    start_deg: float = 0.0,
    swings: tuple[Swing, ...] = (),
    step_deg: float = 2.0,
) -> Motion:
    """A constant acceleration between two speeds, either of which may be 0, with swings on top of it."""
    first, last = from_rpm * RPM, to_rpm * RPM
    revolutions = (first + last) / 2.0 * seconds / 360.0
    angle = _grid(start_deg, revolutions, step_deg)
    share = (angle - angle[0]) / (angle[-1] - angle[0])
    speed = np.sqrt(first**2 + (last**2 - first**2) * share) * _swung(angle, swings)
    return Motion.of_speeds(angle, speed)


def _grid(start_deg: float, revolutions: float, step_deg: float) -> Floats:
    steps = max(2, round(revolutions * 360.0 / step_deg))
    return np.asarray(start_deg + np.arange(steps + 1) * (revolutions * 360.0 / steps), np.float64)


def _swung(angle_deg: Floats, swings: tuple[Swing, ...]) -> Floats:
    """Factor whose mean over time, not over angle, is about 1 for small depths; never below a twentieth."""
    factor = np.ones(len(angle_deg))
    for swing in swings:
        factor += swing.depth * np.sin(np.radians(swing.order * angle_deg + swing.phase_deg))
    return np.asarray(np.maximum(factor, 0.05), np.float64)


def _wandering(n: int, walk: float, step_deg: float, rng: np.random.Generator) -> Floats:
    """A random walk with ten knots a revolution and straight lines between, decaying over ten revolutions."""
    per_knot = max(1, round(36.0 / step_deg))
    knots = n // per_knot + 2
    kicks = rng.normal(0.0, walk / np.sqrt(10.0), knots)
    keep = np.exp(-1.0 / 100.0)
    wander = np.empty(knots)
    now = 0.0
    for i, kick in enumerate(kicks.tolist()):
        now = keep * now + kick
        wander[i] = now
    return np.asarray(np.interp(np.arange(n), np.arange(knots) * per_knot, wander))
