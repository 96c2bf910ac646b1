"""How a shaft turned: nodes of time, angle and speed, with constant acceleration between neighbours.

Constant acceleration makes the squared speed linear in angle, so the time of any angle and the angle at any
time are both exact: nothing is interpolated away between the nodes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Spin:
    """One unbroken stretch of rotation in one direction: node indices first to last, both included."""

    first: int
    last: int
    direction: int


@dataclass(frozen=True, eq=False)
class Motion:
    """A shaft's motion.

    t_s, angle_deg, speed_deg_s: shape (n,), n >= 2. Speed is negative while turning backwards and 0 at rest.
    Between two nodes the speed changes linearly in time: angle step = mean of the two speeds × time step.
    """

    t_s: Floats
    angle_deg: Floats
    speed_deg_s: Floats

    @property
    def end_s(self) -> float:
        return float(self.t_s[-1])

    @cached_property
    def spins(self) -> tuple[Spin, ...]:
        """The stretches of rotation in order of time; rest lies between them."""
        way = np.sign(np.diff(self.angle_deg)).astype(int)
        starts = np.flatnonzero(np.diff(way, prepend=0) != 0)
        ends = np.append(starts[1:], len(way))
        return tuple(Spin(int(a), int(b), int(way[a])) for a, b in zip(starts, ends, strict=True) if way[a] != 0)

    def _passing(self, spin: Spin, angles_deg: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Per angle: time of the node before it, angle turned since, speed there, and speed at the angle."""
        part = slice(spin.first, spin.last + 1)
        t, angle, speed = self.t_s[part], self.angle_deg[part], np.abs(self.speed_deg_s[part])
        if spin.direction < 0:
            angle, angles_deg = -angle, -angles_deg
        k = np.clip(np.searchsorted(angle, angles_deg, side="right") - 1, 0, len(angle) - 2)
        step = angle[k + 1] - angle[k]
        into = np.clip(angles_deg - angle[k], 0.0, step)
        square = speed[k] ** 2 + (speed[k + 1] ** 2 - speed[k] ** 2) * into / step
        return t[k], into, speed[k], np.sqrt(np.maximum(square, 0.0))

    def times_in(self, spin: Spin, angles_deg: Floats) -> Floats:
        """When each angle was passed during one spin; the angles must lie within it. Exact."""
        t, into, before, here = self._passing(spin, angles_deg)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(t + np.where(into > 0.0, 2.0 * into / (before + here), 0.0))

    def speeds_in(self, spin: Spin, angles_deg: Floats) -> Floats:
        """Signed speed in degrees a second where each angle was passed during one spin."""
        return np.asarray(spin.direction * self._passing(spin, angles_deg)[3])

    def _at(self, t_s: Floats) -> tuple[Ints, Floats, Floats]:
        k = np.clip(np.searchsorted(self.t_s, t_s, side="right") - 1, 0, len(self.t_s) - 2)
        span = self.t_s[k + 1] - self.t_s[k]
        into = np.clip(t_s - self.t_s[k], 0.0, span)
        with np.errstate(invalid="ignore", divide="ignore"):
            pull = np.where(span > 0.0, (self.speed_deg_s[k + 1] - self.speed_deg_s[k]) / span, 0.0)
        return k, into, pull

    def angle_at(self, t_s: Floats) -> Floats:
        """Angle in degrees at each time; held at the ends outside the motion."""
        k, into, pull = self._at(t_s)
        return np.asarray(self.angle_deg[k] + self.speed_deg_s[k] * into + 0.5 * pull * into**2)

    def speed_at(self, t_s: Floats) -> Floats:
        """Speed in degrees a second at each time."""
        k, into, pull = self._at(t_s)
        return np.asarray(self.speed_deg_s[k] + pull * into)

    def geared(self, ratio: float, behind_deg: float = 0.0) -> Motion:
        """A shaft that turns `ratio` times as fast and stands at 0 when this one has turned `behind_deg`."""
        return Motion(self.t_s, (self.angle_deg - behind_deg) * ratio, self.speed_deg_s * ratio)

    @staticmethod
    def of_speeds(angle_deg: Floats, speed_deg_s: Floats, start_s: float = 0.0) -> Motion:
        """From speeds given over rising angles; two neighbours must not both be at rest."""
        with np.errstate(divide="raise"):
            steps = 2.0 * np.diff(angle_deg) / (speed_deg_s[:-1] + speed_deg_s[1:])
        return Motion(start_s + np.concatenate(([0.0], np.cumsum(steps))), angle_deg, speed_deg_s)

    @staticmethod
    def join(parts: list[Motion | float]) -> Motion:
        """Motions one after another, each starting at the angle where the one before ended; a number is a
        rest of so many seconds, for which the shaft stands still."""
        t: list[Floats] = []
        angle: list[Floats] = []
        speed: list[Floats] = []
        now = 0.0
        here = next((float(part.angle_deg[0]) for part in parts if isinstance(part, Motion)), 0.0)
        for part in parts:
            if isinstance(part, Motion):
                t.append(part.t_s - part.t_s[0] + now)
                angle.append(part.angle_deg - part.angle_deg[0] + here)
                speed.append(part.speed_deg_s)
            else:
                t.append(np.array([now, now + part]))
                angle.append(np.array([here, here]))
                speed.append(np.zeros(2))
            now, here = float(t[-1][-1]), float(angle[-1][-1])
        return Motion(np.concatenate(t), np.concatenate(angle), np.concatenate(speed))
