"""How a board writes a line down: whole ticks, and what it cannot help losing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toothwise.edges.signal import Edges
from toothwise.model.line import Line


@dataclass(frozen=True, slots=True)
class Capture:
    """State-machine capture: every edge at its tick; a pulse within one tick is not seen."""

    tick_ns: float = 16.0

    def record(self, line: Line, rng: np.random.Generator) -> Edges:
        ticks = np.floor(line.t_s / (self.tick_ns * 1e-9)).astype(np.int64)
        keep = np.ones(len(ticks), bool)
        same = np.flatnonzero(np.diff(ticks) == 0).tolist()
        gone = -1
        for i in same:
            if i > gone:
                keep[i] = keep[i + 1] = False
                gone = i + 1
        return Edges(ticks[keep], line.levels[keep].astype(np.uint8))


@dataclass(frozen=True, slots=True)
class Interrupts:
    """Pin interrupts: the handler starts late, reads clock and pin then, and is busy for a while. Edges that
    come meanwhile leave one pending interrupt between them, so some are lost and two equal levels may follow
    one another."""

    tick_ns: float = 1000.0
    late_s: float = 4e-6
    shake_s: float = 2e-6
    busy_s: float = 25e-6

    def record(self, line: Line, rng: np.random.Generator) -> Edges:
        n = len(line)
        late = self.late_s + rng.uniform(0.0, self.shake_s, n)
        read = line.t_s + late
        levels = line.levels.copy()
        keep = np.ones(n, bool)
        # The last of a crowd may wait for one run of the handler and then keep it busy for another.
        window = 2 * (self.late_s + self.shake_s + self.busy_s)
        near = np.flatnonzero(np.diff(line.t_s) < window)
        if len(near):
            # Only edges close behind another need the handler played out.
            splits = np.flatnonzero(np.diff(near) > 1) + 1
            for group in np.split(near, splits):
                self._crowd(line, int(group[0]), int(group[-1]) + 2, late, read, levels, keep)
        ticks = np.floor(read[keep] / (self.tick_ns * 1e-9)).astype(np.int64)
        return Edges(np.maximum.accumulate(ticks) if len(ticks) else ticks, levels[keep])

    def _crowd(
        self,
        line: Line,
        first: int,
        end: int,
        late: np.ndarray[tuple[int], np.dtype[np.float64]],
        read: np.ndarray[tuple[int], np.dtype[np.float64]],
        levels: np.ndarray[tuple[int], np.dtype[np.uint8]],
        keep: np.ndarray[tuple[int], np.dtype[np.bool_]],
    ) -> None:
        keep[first:end] = False
        free, i = -np.inf, first
        while i < end:
            at = max(float(line.t_s[i]), free) + float(late[i])
            # Everything up to the handler's start is covered by this one run of it.
            j = i + 1
            while j < end and line.t_s[j] < at:
                j += 1
            keep[i], read[i], levels[i] = True, at, line.levels[j - 1]
            free, i = at + self.busy_s, j
