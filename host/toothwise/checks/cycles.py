"""Whole engine cycles out of a stream of teeth: the time of every step from tooth to tooth, sorted by speed.

Memory is bounded: a band of speed that fills up is thinned to every second cycle, again and again.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Clock
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

BANDS_RPM = ((50.0, 400.0), (400.0, 1200.0), (1200.0, 2000.0), (2000.0, 4000.0))
"""The first is cranking, the second idle. 150 to 300 rpm [T] and 600 to 900 rpm [M], widened."""

_MOST = 2048
_STEADY = 0.06
"""Greatest change of a turn's duration to the next in a cycle that counts as steady, as a share."""


@dataclass(slots=True)
class Band:
    """Cycles of one speed band in one unbroken stretch of rotation.

    rows: seconds of each step over four turns, the cycle's own two in the middle; shape (4·teeth,).
    """

    rows: list[NDArray[np.float64]] = field(default_factory=list)
    keep_every: int = 1
    seen: int = 0

    def add(self, row: NDArray[np.float64]) -> None:
        self.seen += 1
        if self.seen % self.keep_every:
            return
        self.rows.append(row)
        if len(self.rows) > _MOST:
            self.rows = self.rows[::2]
            self.keep_every *= 2


class Cycles:
    """Fed with one channel's teeth in order of time.

    A cycle starts at an even revolution of the tracker's own count; which of its two turns fires which cylinder
    is for the cam to say.
    """

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self._teeth = wheel.teeth
        self._tick_s = clock.tick_ns * 1e-9
        self._turning: int | None = None
        self._revolution = 0
        self._row = np.full(wheel.teeth, np.nan)
        self._recent: list[tuple[int, NDArray[np.float64]]] = []  # whole turns: tooth times in ticks
        self.bands: dict[tuple[int, int], Band] = {}
        """By (stretch of rotation, index into BANDS_RPM)."""

    def feed(self, teeth: Teeth) -> None:
        known = teeth.revolution >= 0
        if not known.any():
            return
        place = teeth.revolution[known].astype(np.int64)
        starts = np.flatnonzero(np.diff(place, prepend=place[0] - 1) != 0)
        ends = np.append(starts[1:], len(place))
        ticks, tooth, turning = teeth.ticks[known], teeth.tooth[known], teeth.turning[known]
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            self._enter(int(turning[start]), int(place[start]))
            self._row[tooth[start:end] - 1] = ticks[start:end]

    def finish(self) -> None:
        self._close()

    def _enter(self, turning: int, revolution: int) -> None:
        if turning == self._turning and revolution == self._revolution:
            return
        self._close()
        if turning != self._turning:
            self._recent.clear()
        self._turning, self._revolution = turning, revolution

    def _close(self) -> None:
        """Put the turn that is over with those before it; four and the next turn's tooth 1 make a cycle."""
        self._recent.append((self._revolution, self._row))
        self._row = np.full(self._teeth, np.nan)
        if len(self._recent) < 5:
            return
        self._recent = self._recent[-5:]
        first = self._recent[0][0]
        consecutive = all(number == first + i for i, (number, _) in enumerate(self._recent))
        if not consecutive or first % 2 == 0:  # the cycle's own turns are the second and the third
            return
        times = np.concatenate([row for _, row in self._recent[:4]] + [self._recent[4][1][:1]])
        steps = np.diff(times) * self._tick_s
        if not np.isfinite(steps).all():
            return  # a tooth is absent somewhere; cycles are plenty
        turns = steps.reshape(4, self._teeth).sum(axis=1)
        if np.abs(np.diff(turns) / turns[1:]).max() > self._limit(turns):
            return
        rpm = 120.0 / float(turns[1] + turns[2])
        for index, (low, high) in enumerate(BANDS_RPM):
            if low <= rpm < high and self._turning is not None:
                self.bands.setdefault((self._turning, index), Band()).add(steps)

    @staticmethod
    def _limit(turns: NDArray[np.float64]) -> float:
        """Cranking is rougher than idle, and a misfire moves the turn it falls into."""
        return 0.3 if 60.0 / turns.mean() < BANDS_RPM[0][1] else 3 * _STEADY

    def longest(self, band: int) -> NDArray[np.float64]:
        """Cycles of the stretch that has most in that band, shape (cycles, 4·teeth); seconds a step."""
        rows = [b.rows for (_, index), b in self.bands.items() if index == band]
        best = max(rows, key=len, default=[])
        return np.array(best).reshape(-1, 4 * self._teeth)

    def stretch(self, band: int) -> int | None:
        """Which stretch of rotation `longest` speaks of."""
        found = {turning: len(b.rows) for (turning, index), b in self.bands.items() if index == band}
        return max(found, key=lambda turning: found[turning]) if found else None
