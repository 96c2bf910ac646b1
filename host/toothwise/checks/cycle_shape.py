"""How far each tooth of two turns comes early or late against a smooth run, averaged by speed.

Two turns, because an engine repeats after two and a wheel after one: what differs between them is the engine's.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.tail import Tail
from toothwise.edges.signal import Clock
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

Floats = NDArray[np.float64]

BANDS_RPM = (20.0, 100.0, 200.0, 350.0, 600.0, 950.0, 1500.0, 2400.0, 3800.0, 6000.0, 15000.0)
TREND_POWERS = 4
"""A cubic in the angle follows what the speed does over two turns besides its waves."""
STEADY = 0.25
"""Two turns whose durations differ by more than this are left out."""
FIRST = 48
"""Windows looked at together before any is judged."""
FAR = 8.0
"""A window with a deviation so many spreads from the usual has a mistimed tooth in it."""
MOST_GROUPS = 24
MOST_WINDOWS = 8192
"""More would not make the mean better: what is left then is what the model cannot tell apart."""


@dataclass(slots=True)
class Group:
    """Windows of one band of speed in one stretch of rotation.

    count. total: (2N,) sum of deviations, degrees at the mean speed of the two turns. products: (2N, 2N) sum of
    outer products. slowness: (2N,) sum of mean speed over the speed at each tooth: so many times its own error a
    tooth shows.
    """

    size: int
    count: int = 0
    duration_s: float = 0.0
    total: Floats = field(init=False)
    products: Floats = field(init=False)
    slowness: Floats = field(init=False)
    first: list[Floats] = field(default_factory=list)
    centre: Floats | None = None
    spread: float = 0.0

    def __post_init__(self) -> None:
        self.total = np.zeros(self.size)
        self.products = np.zeros((self.size, self.size))
        self.slowness = np.zeros(self.size)

    def add(self, rows: Floats) -> None:
        """rows: (n, 4N), deviations and slowness."""
        if self.count >= MOST_WINDOWS:
            return
        if self.centre is None:
            self.first.append(rows)
            if sum(len(part) for part in self.first) < FIRST:
                return
            rows = self.settle()
        self._take(rows)

    def settle(self) -> Floats:
        """Find the usual shape from the first windows, and return them."""
        rows = np.concatenate(self.first) if self.first else np.empty((0, 2 * self.size))
        self.first = []
        if len(rows):
            seen = rows[:, : self.size]
            self.centre = np.median(seen, axis=0)
            self.spread = float(1.4826 * np.median(np.abs(seen - self.centre))) + 1e-4
        return rows

    def close(self) -> None:
        if self.centre is None and any(len(part) > 0 for part in self.first):
            self._take(self.settle())

    def _take(self, rows: Floats) -> None:
        assert self.centre is not None
        # Engines differ from cycle to cycle by whole waves: only what stands out from its neighbours is mistimed.
        rest = rows[:, : self.size] - self.centre
        rough = np.abs(rest - (np.roll(rest, 1, axis=1) + np.roll(rest, -1, axis=1)) / 2)
        rows = rows[(rough < FAR * self.spread + 0.02).all(axis=1)]
        self.count += len(rows)
        seen = rows[:, : self.size]
        self.total += seen.sum(axis=0)
        self.products += seen.T @ seen
        self.slowness += rows[:, self.size :].sum(axis=0)

    @property
    def mean(self) -> Floats:
        return self.total / max(self.count, 1)

    @property
    def shows(self) -> Floats:
        """(2N, N): what a degree of each tooth's error does to the mean."""
        first, second = np.split(self.slowness / max(self.count, 1), 2)
        return np.vstack([np.diag(first), np.diag(second)])

    @property
    def mean_covariance(self) -> Floats:
        """Of the mean; doubled, because neighbouring cycles of an engine are alike."""
        n = max(self.count, 2)
        centred = self.products / n - np.outer(self.mean, self.mean)
        return 2.0 * centred / (n - 1)


class CycleShape:
    """Fed with one channel's teeth; keeps one `Group` a band of speed, whatever the recording's length."""

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self.wheel = wheel
        n = wheel.teeth
        self._tick_s = clock.tick_ns * 1e-9
        angle = np.array(wheel.angles_deg) * 360.0 / wheel.turn_deg
        self.angle_deg = np.concatenate([angle, angle + 360.0])
        scaled = np.concatenate([self.angle_deg, [720.0]]) / 360.0 - 1.0
        self.trend = np.vander(scaled[:-1], TREND_POWERS, increasing=True)
        self._fit = np.linalg.pinv(self.trend)
        reach = max(1, round(n / 16))
        at = np.arange(2 * n)
        self._low, self._high = np.maximum(at - reach, 0), np.minimum(at + reach, 2 * n)
        self._reach_deg = (scaled[self._high] - scaled[self._low]) * 360.0
        self.groups: dict[tuple[int, int], Group] = {}
        self._tail = Tail(2 * n)

    def feed(self, teeth: Teeth) -> None:
        seen = self._tail.then(teeth)
        size = self._tail.keep
        if len(seen) <= size:
            return
        first = np.flatnonzero(
            (seen.tooth[:-size] == 1) & (seen.revolution[:-size] >= 0) & (seen.revolution[:-size] % 2 == 0)
        )
        last = first + size
        whole = (seen.tooth[last] == 1) & (seen.revolution[last] == seen.revolution[first] + 2)
        whole &= seen.turning[last] == seen.turning[first]
        self._windows(seen.ticks, seen.turning, first[whole])

    def finish(self) -> list[Group]:
        """Groups with enough windows, most windows first."""
        for group in self.groups.values():
            group.close()
        return sorted((g for g in self.groups.values() if g.count >= 8), key=lambda g: -g.count)

    def _windows(self, ticks: NDArray[np.int64], turning: NDArray[np.int64], first: NDArray[np.int64]) -> None:
        if not len(first):
            return
        size = 2 * self.wheel.teeth
        t = (ticks[first[:, None] + np.arange(size + 1)] - ticks[first][:, None]) * self._tick_s
        middle = t[:, size // 2]
        ratio = middle / np.maximum(t[:, -1] - middle, 1e-12)
        steady = (np.abs(np.log(np.maximum(ratio, 1e-6))) < STEADY) & (np.diff(t, axis=1) > 0).all(axis=1)
        t, first = t[steady], first[steady]
        rest = t[:, :-1] - (t[:, :-1] @ self._fit.T) @ self.trend.T
        mean_speed = 720.0 / t[:, -1:]
        slowness = mean_speed * (t[:, self._high] - t[:, self._low]) / self._reach_deg
        rows = np.concatenate([rest * mean_speed, slowness], axis=1)
        band = np.searchsorted(BANDS_RPM, 120.0 / np.maximum(t[:, -1], 1e-9))
        for key in set(zip(turning[first].tolist(), band.tolist(), strict=True)):
            mine = (turning[first] == key[0]) & (band == key[1])
            group = self.groups.setdefault(key, Group(size))
            group.add(rows[mine])
            group.duration_s += float(t[mine, -1].sum())
        if len(self.groups) > MOST_GROUPS:
            del self.groups[min(self.groups, key=lambda k: self.groups[k].count)]
