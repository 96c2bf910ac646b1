"""How far each tooth of two turns comes early or late against a smooth run, averaged by speed.

Two turns, because an engine repeats after two and a wheel after one: what differs between them is the engine's.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.tail import Ints, ShortInts, Tail
from toothwise.edges.signal import Clock
from toothwise.scatter import sigma
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

Floats = NDArray[np.float64]

BANDS_RPM = (20.0, 100.0, 200.0, 350.0, 600.0, 950.0, 1500.0, 2400.0, 3800.0, 6000.0, 15000.0)
TREND_POWERS = 4
"""A cubic in the angle follows what the speed does over two turns besides its waves."""
STEADY = 0.25
"""Two turns whose durations differ by more than this are left out."""
EVEN = 0.06
"""The same for two turns in which the speed runs up or down by more from their beginning to their end: what drives an
engine so is no wave that returns, and would be taken for the wheel's."""
FIRST = 48
"""Windows looked at together before any is judged."""
FAR = 8.0
"""A window with a deviation so many spreads from the usual has a mistimed tooth in it."""
MOST_GROUPS = 24
MOST_WINDOWS = 8192
"""More would not make the mean better: what is left then is what the model cannot tell apart."""


@dataclass(frozen=True, slots=True)
class CycleAngles:
    """Where a wheel's teeth stand in the two turns of a cycle, and the smooth runs that fit through them.

    angle_deg: (2N,). trend: (2N, TREND_POWERS), fit: its pseudo-inverse. low, high: (2N,), the teeth around each
    between which its speed is taken, reach_deg: (2N,), how far they are apart.
    """

    angle_deg: Floats
    trend: Floats
    fit: Floats
    low: Ints
    high: Ints
    reach_deg: Floats

    @staticmethod
    def of(wheel: Wheel) -> CycleAngles:
        n = wheel.teeth
        turn = np.array(wheel.angles_deg) * 360.0 / wheel.turn_deg
        angle = np.concatenate([turn, turn + 360.0])
        trend = np.vander(angle / 360.0 - 1.0, TREND_POWERS, increasing=True)
        reach = max(1, round(n / 16))
        at = np.arange(2 * n)
        low, high = np.maximum(at - reach, 0), np.minimum(at + reach, 2 * n)
        whole = np.append(angle, 720.0)
        return CycleAngles(
            angle, trend, np.asarray(np.linalg.pinv(trend), np.float64), low, high, whole[high] - whole[low]
        )

    def smooth(self, times: Floats) -> Floats:
        """(n, TREND_POWERS): the smooth run that fits each window best. times: as in `Group.add`."""
        return np.asarray(times[:, :-1] @ self.fit.T)

    def late(self, times: Floats, smooth: Floats) -> Floats:
        """(n, 2N): how late each tooth is against its window's smooth run."""
        return np.asarray(times[:, :-1] - smooth @ self.trend.T)


def grows(smooth: Floats) -> Floats:
    """(n,): by what share the speed of a smooth run changes from its beginning to its end."""
    # Its slope in time goes from c1 - 2 c2 to c1 + 2 c2, besides what is alike at both ends.
    return np.asarray(np.abs(4.0 * smooth[:, 2] / smooth[:, 1]))


@dataclass(slots=True)
class Group:
    """Windows of one band of speed in one stretch of rotation.

    count. total: (2N,) sum of deviations, degrees at the mean speed of the two turns. products: (2N, 2N) sum of
    outer products. passed: (2N+1,) sum of the times of each tooth, in degrees at that speed.
    """

    geometry: CycleAngles
    count: int = 0
    total: Floats = field(init=False)
    products: Floats = field(init=False)
    passed: Floats = field(init=False)
    first: list[tuple[Floats, Floats]] = field(default_factory=list)
    centre: Floats | None = None
    spread: float = 0.0

    def __post_init__(self) -> None:
        size = len(self.geometry.angle_deg)
        self.total = np.zeros(size)
        self.products = np.zeros((size, size))
        self.passed = np.zeros(size + 1)

    @property
    def is_full(self) -> bool:
        return self.count >= MOST_WINDOWS

    def add(self, times: Floats, late: Floats) -> None:
        """times: (n, 2N+1), when each tooth passed, as degrees at the window's mean speed; 0 to 720. late: (n, 2N),
        against the smooth run."""
        if self.centre is None:
            self.first.append((times, late))
            if sum(len(part) for part, _ in self.first) < FIRST:
                return
            times, late = self._settle()
        self._take(times, late)

    def close(self) -> None:
        if self.centre is None and any(len(part) > 0 for part, _ in self.first):
            self._take(*self._settle())

    def _settle(self) -> tuple[Floats, Floats]:
        """Find the usual shape from the first windows, and return them."""
        times, late = (np.concatenate(parts) for parts in zip(*self.first, strict=True))
        self.first = []
        self.centre = np.median(late, axis=0)
        self.spread = float(sigma(late - self.centre)) + 1e-4
        return times, late

    def _take(self, times: Floats, seen: Floats) -> None:
        assert self.centre is not None
        # Engines differ from cycle to cycle by whole waves: only what stands out from its neighbours is mistimed.
        rest = seen - self.centre
        around = np.concatenate([rest[:, -1:], rest, rest[:, :1]], axis=1)
        rough = np.abs(rest - (around[:, :-2] + around[:, 2:]) / 2).max(axis=1)
        good = rough < FAR * self.spread + 0.02
        if not good.all():
            seen, times = seen[good], times[good]
        self.count += len(seen)
        self.total += seen.sum(axis=0)
        self.products += seen.T @ seen
        self.passed += times.sum(axis=0)

    @property
    def mean(self) -> Floats:
        return self.total / max(self.count, 1)

    @property
    def slowness(self) -> Floats:
        """(2N,): mean speed over the speed at each tooth."""
        at = self.geometry
        return np.asarray((self.passed[at.high] - self.passed[at.low]) / at.reach_deg / max(self.count, 1))

    @property
    def shows(self) -> Floats:
        """(2N, N): what a degree of each tooth's error does to the mean."""
        first, second = np.split(self.slowness, 2)
        return np.vstack([np.diag(first), np.diag(second)])

    @property
    def mean_covariance(self) -> Floats:
        """Of the mean; doubled, because neighbouring cycles of an engine are alike.

        Fewer windows than teeth vary in fewer ways than there are: what each tooth does by itself, seen against its
        neighbours, is added in all of them.
        """
        n = max(self.count, 2)
        centred = self.products / n - np.outer(self.mean, self.mean)
        # A second difference is twice a tooth against the mean of its neighbours.
        bent = np.diagonal(np.diff(np.diff(centred, 2, axis=0), 2, axis=1)) / 4.0
        alone = float(np.median(bent)) / 1.5
        return 2.0 * (centred + alone * np.eye(len(centred))) / (n - 1)


class CycleShape:
    """Fed with one channel's teeth; keeps one `Group` a band of speed, whatever the recording's length."""

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self.wheel = wheel
        self.geometry = CycleAngles.of(wheel)
        self._tick_s = clock.tick_ns * 1e-9
        self.groups: dict[tuple[int, int], Group] = {}
        self._tail = Tail(2 * wheel.teeth)

    def feed(self, teeth: Teeth) -> None:
        seen = self._tail.then(teeth)
        size = self._tail.keep
        if len(seen) <= size:
            return
        first = np.flatnonzero(seen.tooth[:-size] == 1)
        first = first[(seen.revolution[first] >= 0) & (seen.revolution[first] % 2 == 0)]
        last = first + size
        whole = (seen.tooth[last] == 1) & (seen.revolution[last] == seen.revolution[first] + 2)
        whole &= seen.turning[last] == seen.turning[first]
        still = np.flatnonzero(seen.ticks[1:] <= seen.ticks[:-1])
        whole &= np.searchsorted(still, first) == np.searchsorted(still, last)
        self._windows(seen.ticks, seen.turning, first[whole])

    def finish(self) -> list[Group]:
        """Groups with enough windows, most windows first."""
        for group in self.groups.values():
            group.close()
        return sorted((g for g in self.groups.values() if g.count >= 8), key=lambda g: -g.count)

    def _windows(self, ticks: Ints, turning: ShortInts, first: Ints) -> None:
        size = 2 * self.wheel.teeth
        turn, next_turn = np.diff(ticks[first[:, None] + np.array([0, size // 2, size])], axis=1).T
        steady = np.abs(np.log(turn / next_turn)) < STEADY
        first, span = first[steady], (turn + next_turn)[steady]
        band = np.searchsorted(BANDS_RPM, 120.0 / (span * self._tick_s))
        windows = np.lib.stride_tricks.sliding_window_view(ticks, size + 1)
        for key in set(zip(turning[first].tolist(), band.tolist(), strict=True)):
            group = self.groups.setdefault(key, Group(self.geometry))
            if not group.is_full:
                mine = (turning[first] == key[0]) & (band == key[1])
                since = windows[first[mine]] - ticks[first[mine], None]
                times = since * (720.0 / span[mine, None])
                smooth = self.geometry.smooth(times)
                even = grows(smooth) < EVEN
                group.add(times[even], self.geometry.late(times[even], smooth[even]))
        if len(self.groups) > MOST_GROUPS:
            del self.groups[min(self.groups, key=lambda k: self.groups[k].count)]
