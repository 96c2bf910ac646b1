"""What the last turns showed: how each interval's speed differs from the one before it.

While an engine cranks, its speed swings with the compressions, and swings alike from one engine cycle (two turns)
to the next. Where teeth are few, that swing is as large as a missing tooth's mark; so the careful tracker expects
each interval to differ from its neighbour as it did two turns ago. A tooth that is a little out of place is learnt
in the same breath. Learning uses decided teeth only, one interval at a time, so it does not matter how the stream
was cut.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from toothwise.track import motion
from toothwise.track.geometry import Geometry

NEW = 0.5
"""Weight of the newest turn in what is expected."""

LEAST_SIGMA = 0.03
"""The expectation is never trusted further than this, in log units."""

MOST_FAULTS = 0.2
"""With a larger share of steps over missing teeth, what was learnt is doubted."""


class Profile:
    """Expected log change of speed from the interval before, for each interval of two turns.

    delta: the change. sigma: how far it has been off, one standard deviation. misfit: the same squared, a
    single fault counting in full.
    """

    def __init__(self, geometry: Geometry) -> None:
        size = 2 * geometry.teeth
        self.used = 360.0 / geometry.teeth >= motion.FINE_DEG or geometry.symmetry == 1
        self._size = size
        self._log_deg = np.log(np.array(geometry.steps * 2))
        self._delta = np.zeros(size)
        self._square = np.zeros(size)
        self._seen = np.zeros(size, np.int64)
        self.delta: list[float] = [0.0] * size
        self.known: list[bool] = [False] * size
        self.sigma = math.inf
        self.misfit = math.inf
        self._faults = 0.0  # share of faulty steps, as of the latest
        self._faultless = 0  # steps since then

    def learn(self, counts: NDArray[np.int64], ticks: NDArray[np.int64]) -> None:
        """Take in decided teeth; only runs of three in which none is missing teach anything.

        The first two teeth were given before. However the teeth come apart, the same is learnt.
        """
        if not self.used or len(counts) < 3:
            return
        step = np.diff(counts)
        begin = self._doubted(step)
        where = counts[:-1] % self._size
        log_rate = np.log(np.maximum(np.diff(ticks), 1)) - self._log_deg[where]
        change = np.diff(log_rate)
        single = step == 1
        good = np.flatnonzero(single[1:] & single[:-1])
        good = good[good >= begin]
        # One pass an engine cycle: within it no interval comes twice, so the order of learning is kept.
        cycle = counts[1:-1][good] // self._size
        for part in np.split(good, np.flatnonzero(np.diff(cycle)) + 1):
            self._pass(where[1:][part], change[part])
        self._publish()

    def _doubted(self, step: NDArray[np.int64]) -> int:
        """Forget all when too many teeth go missing: then it may be the expectation that is wrong.

        Returns from where on to learn.
        """
        begin, last = 0, 0
        for at in (np.flatnonzero(step[1:] > 1) + 1).tolist():
            self._faultless += at - last - 1
            self._faults = self._faults * (1.0 - NEW / self._size) ** self._faultless
            self._faults += (1.0 - self._faults) * NEW / self._size
            self._faultless, last = 0, at
            if self._faults > MOST_FAULTS:
                self._seen[:] = 0
                self._square[:] = 0.0
                self.sigma = math.inf
                self._faults = 0.0
                begin = at
        self._faultless += len(step) - 1 - last
        return begin

    def _pass(self, index: NDArray[np.int64], change: NDArray[np.float64]) -> None:
        known = self._seen[index] > 0
        off = change - self._delta[index]
        once = self._seen[index] == 1
        square = np.where(once, off * off, self._square[index] + NEW * (off * off - self._square[index]))
        self._square[index] = np.where(known, square, 0.0)
        self._delta[index] += np.where(known, NEW, 1.0) * off
        self._seen[index] += 1

    def _publish(self) -> None:
        self.delta = self._delta.tolist()
        self.known = (self._seen > 0).tolist()
        twice = self._seen > 1
        if int(twice.sum()) * 2 >= self._size:
            self.sigma = max(1.5 * math.sqrt(float(np.median(self._square[twice]))), LEAST_SIGMA)
            self.misfit = float(self._square[twice].mean())

    def spans(self, begin: int, count: int, beyond: int) -> tuple[float, list[float]] | None:
        """Relative durations as the profile expects them, None where it doesn't know.

        The stretch from tooth `begin` to `count`, and the stretches from `count` to each of the `beyond` next teeth.
        """
        size, delta, known = self._size, self.delta, self.known
        degrees = self._log_deg
        level, before, total = 0.0, 0.0, 0.0
        ahead: list[float] = []
        for i in range(begin, count + beyond):
            at = i % size
            if i > begin:
                if not known[at]:
                    return (before, ahead) if ahead else None
                level += delta[at]
            duration = math.exp(level + degrees[at])
            if i < count:
                before += duration
            else:
                total += duration
                ahead.append(total)
        return before, ahead
