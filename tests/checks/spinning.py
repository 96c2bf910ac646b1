"""Teeth of a wheel turned by a speed that is written down, for checks that need no sensor and no tracker."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from toothwise.edges.signal import Clock, Edges
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel


def n_minus(slots: int, missing: int) -> Wheel:
    step = 360.0 / slots
    return Wheel(f"{slots}-{missing}", tuple(step * i for i in range(slots - missing)), slots)


@dataclass
class Spin:
    """A speed as a function of the angle.

    rpm: mean. waves: (order, relative size, phase) of the speed. uneven: relative spread of each firing's wave,
    fires a turn `firing`. wander: slow relative change. ramp: factor by which the speed has grown at the end.
    """

    rpm: float = 800.0
    turns: int = 200
    waves: tuple[tuple[float, float, float], ...] = ()
    uneven: float = 0.0
    firing: float = 2.0
    wander: float = 0.0
    ramp: float = 1.0
    seed: int = 0

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        self.grid = np.arange(-360.0, (self.turns + 2) * 360.0, 2.0)
        at = np.radians(self.grid)
        wave = np.zeros(len(at))
        for order, size, phase in self.waves:
            wave += size * np.cos(order * at + phase)
        if self.uneven:
            number = np.floor((self.grid - self.grid[0]) * self.firing / 360.0).astype(int)
            size = 1 + self.uneven * rng.normal(size=number.max() + 1)
            wave *= np.convolve(size[number], np.ones(31) / 31, "same")
        slow = np.zeros(len(at))
        if self.wander:
            walk = np.convolve(np.cumsum(rng.normal(size=len(at))), np.ones(2000) / 2000, "same")
            slow = self.wander * walk / walk.std()
        growth = self.ramp ** ((self.grid - self.grid[0]) / (self.grid[-1] - self.grid[0]))
        speed = self.rpm * 6.0 * growth * (1 + wave + slow)
        assert speed.min() > 0
        self.time = np.concatenate([[0.0], np.cumsum(4.0 / (speed[1:] + speed[:-1]))])

    def at(self, angle_deg: np.ndarray) -> np.ndarray:
        return np.interp(angle_deg, self.grid, self.time)

    def speed(self, angle_deg: np.ndarray) -> np.ndarray:
        """Degrees a second."""
        return 1.0 / np.interp(angle_deg, self.grid[:-1] + 1.0, np.diff(self.time) / 2.0)

    def teeth(
        self,
        wheel: Wheel,
        *,
        error_deg: np.ndarray | None = None,
        jitter_deg: float = 0.0,
        duty: float = 0.5,
        tick_ns: float = 1000.0,
    ) -> Teeth:
        n = wheel.teeth
        rng = np.random.default_rng(self.seed + 1)
        place = np.array(wheel.angles_deg) + (0.0 if error_deg is None else error_deg)
        angle = (place[None, :] + 360.0 * np.arange(self.turns)[:, None]).ravel()
        back = angle + duty * wheel.pitch_deg
        ticks, back_ticks = (
            np.floor(self.at(a + jitter_deg * rng.normal(size=len(a))) / (tick_ns * 1e-9)).astype(np.int64)
            for a in (angle, back)
        )
        return Teeth(
            ticks,
            back_ticks,
            np.tile(np.arange(1, n + 1, dtype=np.int32), self.turns),
            np.repeat(np.arange(self.turns, dtype=np.int64), n),
            np.zeros(n * self.turns, np.int32),
        )

    def edges(self, angles_deg: np.ndarray, levels: np.ndarray, tick_ns: float = 1000.0) -> Edges:
        return Edges(np.floor(self.at(angles_deg) / (tick_ns * 1e-9)).astype(np.int64), levels.astype(np.uint8))


def idle(cylinders: int, seconds: float = 60.0, seed: int = 0, rpm: float = 800.0) -> Spin:
    """Idle with a firing ripple of 3 % and its harmonics, half orders from unequal cylinders, uneven firings."""
    rng = np.random.default_rng(seed + 1000)
    firing = cylinders / 2
    waves = [(m * firing, 0.03 / m**2, float(rng.uniform(0, 6.28))) for m in range(1, 6)]
    waves += [(k, 0.002 / k, float(rng.uniform(0, 6.28))) for k in np.arange(0.5, 4.5, 0.5).tolist()]
    return Spin(rpm, int(seconds * rpm / 60), tuple(waves), 0.05, firing, 0.01, seed=seed)


def cut(teeth: Teeth, pieces: int, seed: int = 0) -> list[Teeth]:
    """The same teeth in several parts."""
    places = np.sort(np.random.default_rng(seed).integers(0, len(teeth), pieces - 1))
    parts = [np.split(a, places) for a in (teeth.ticks, teeth.back_ticks, teeth.tooth, teeth.revolution, teeth.turning)]
    return [Teeth(*columns) for columns in zip(*parts, strict=True)]


MICRO = Clock(1000.0)
