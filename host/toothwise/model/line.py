"""A wire with two levels, and what can be done to it.

Times are seconds as float64; levels are 0 or 1. A line alternates: every entry is a level change.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.model.motion import Floats


@dataclass(frozen=True, eq=False)
class Line:
    """Level changes in order of time.

    t_s: shape (n,), rising. levels: uint8 (n,), after each change. first: the level before them all.
    """

    t_s: Floats
    levels: NDArray[np.uint8]
    first: int

    def __len__(self) -> int:
        return len(self.t_s)

    def before(self, t_s: Floats) -> NDArray[np.uint8]:
        """The level just before each time."""
        padded = np.concatenate(([np.uint8(self.first)], self.levels))
        return np.asarray(padded[np.searchsorted(self.t_s, t_s, side="left")])

    def forced(self, starts: Floats, ends: Floats, levels: NDArray[np.uint8] | int) -> Line:
        """Held at a level during spans [start, end), which must be in order and not overlap."""
        if len(starts) == 0:
            return self
        held = np.broadcast_to(np.asarray(levels, np.uint8), starts.shape)
        a, b = np.searchsorted(self.t_s, starts, side="left"), np.searchsorted(self.t_s, ends, side="left")
        inside = np.zeros(len(self) + 1, int)
        np.add.at(inside, a, 1)
        np.add.at(inside, b, -1)
        keep = np.cumsum(inside)[:-1] == 0
        was, then = self.before(starts), self.before(ends)
        into, out = was != held, then != held
        # At the same moment, letting go comes before the line's own change.
        t = np.concatenate((starts[into], ends[out], self.t_s[keep]))
        level = np.concatenate((held[into], then[out], self.levels[keep]))
        order = np.argsort(t, kind="stable")
        return Line(t[order], level[order], self.first)

    def flipped(self, starts: Floats, ends: Floats) -> Line:
        """Inverted during spans [start, end): each adds exactly two level changes, wherever it falls."""
        t = np.sort(np.concatenate((self.t_s, starts, ends)), kind="stable")
        level = (self.first ^ 1 ^ (np.arange(len(t)) & 1)).astype(np.uint8)
        return Line(t, level, self.first)

    def at(self, t_s: Floats) -> NDArray[np.uint8]:
        """The level at each time."""
        padded = np.concatenate(([np.uint8(self.first)], self.levels))
        return np.asarray(padded[np.searchsorted(self.t_s, t_s, side="right")])

    def cut(self, end_s: float) -> Line:
        """Only what came before a time."""
        n = int(np.searchsorted(self.t_s, end_s, side="left"))
        return Line(self.t_s[:n], self.levels[:n], self.first)


def disjoint(starts: Floats, ends: Floats) -> tuple[Floats, Floats]:
    """Spans in any order to spans in order, overlapping or touching ones joined."""
    if len(starts) == 0:
        return starts, ends
    order = np.argsort(starts, kind="stable")
    starts, ends = starts[order], np.maximum.accumulate(ends[order])
    fresh = np.concatenate(([True], starts[1:] > ends[:-1]))
    last = np.append(np.flatnonzero(fresh)[1:] - 1, len(starts) - 1)
    return starts[fresh], ends[last]
