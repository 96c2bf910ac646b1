"""Signals of a wheel on a shaft whose speed swings, straight from angles: no sensor, no engine."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from toothwise.edges.signal import Clock, Edges
from toothwise.wheel.pattern import Wheel

CLOCK = Clock(16.0)


def turned(
    wheel: Wheel,
    turns: float,
    *,
    rpm: float = 180.0,
    start_deg: float = 0.0,
    waves: Sequence[tuple[float, float, float]] = (),
    level: int = 1,
    duty: float = 0.5,
    halfway: bool = False,
    error_deg: float = 0.1,
    seed: int = 0,
) -> Edges:
    """Edges of so many turns.

    waves: (order, depth, phase in degrees) of the speed. halfway: trailing edges fall on the middle between two teeth,
    as a coil's zero crossings do. error_deg: standard deviation of each edge's place, the same in every turn.
    """
    rng = np.random.default_rng(seed)
    steps = wheel.steps_deg
    around = np.minimum(np.minimum(steps, np.roll(steps, 1)), wheel.pitch_deg)
    width = np.array(wheel.widths_deg) if wheel.widths_deg is not None else duty * around
    if wheel.widths_carry_code:
        width = rng.permutation(np.tile([3.0, 12.0], wheel.teeth // 2))
    if halfway:
        width = steps / 2
    place = np.stack([np.array(wheel.angles_deg), np.array(wheel.angles_deg) + width], axis=1)
    place = place + np.clip(rng.normal(0.0, error_deg, place.shape), -0.3, 0.3)
    angle = (place.ravel()[None, :] + 360.0 * np.arange(int(turns) + 4)[:, None]).ravel()
    levels = np.tile([level, 1 - level], len(angle) // 2).astype(np.uint8)
    grid = np.arange(0.0, 360.0 * (int(turns) + 5), 0.5)
    speed = 1.0 + sum((d * np.sin(np.radians(o * grid + p)) for o, d, p in waves), np.zeros_like(grid))
    pace = 1.0 / (6.0 * rpm * speed)
    time = np.concatenate(([0.0], np.cumsum(0.25 * (pace[1:] + pace[:-1]))))
    inside = (angle >= start_deg + 10.0) & (angle < start_deg + 10.0 + 360.0 * turns)
    at = np.interp(angle[inside], grid, time) + rng.normal(0.0, 0.01 / (6.0 * rpm), int(inside.sum()))
    return Edges(np.rint(at / (CLOCK.tick_ns * 1e-9)).astype(np.int64), levels[inside])
