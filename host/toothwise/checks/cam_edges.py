"""Each cam edge in crank degrees, 0 to 720 from tooth 1, with its spread; and where they stand against a reference.

Crank teeth on both sides of a cam edge give its angle by interpolation. Which of the two turns of a cycle comes
first, nothing on the crank can say: the cycle begins with the turn in which the first rising cam edge comes earlier.
Cycles that lack an edge, or have one too many, are left out; what they are is the cam's own events' affair.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.thinned import Thinned
from toothwise.edges.signal import Clock, Edges
from toothwise.records import Measure
from toothwise.scatter import spread_of
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

Floats = NDArray[np.float64]

CYCLE_DEG = 720.0
FEWEST_CYCLES = 3
MOST_TEETH = 1 << 18
"""Crank teeth that wait for cam edges."""
TOGETHER = 16
"""Cycles in a row that are kept or let go together: of single edges a cycle could not be put together again."""
LATEST_DEG = 90.0
"""A shift against the reference is looked for within this: more than a phaser's 25–60° [M] and two sprocket teeth."""
UNLIKE_DEG = 8.0
"""Edges that fit the reference no better than this belong to another cam wheel."""


class CamEdges:
    """Feed the crank's teeth and the cam's edges, in order of time; either may be ahead."""

    def __init__(self, crank: Wheel, clock: Clock) -> None:
        self._angles = np.array(crank.angles_deg)
        self._turn = crank.turn_deg
        self._tick_s = clock.tick_ns * 1e-9
        self._t0_s = clock.t0_s
        self._edges = Edges.none()
        self._last_tick = -(2**62)
        self._teeth: list[NDArray[np.int64]] = [np.empty(0, np.int64)] * 4  # tick, revolution, tooth, turning
        self._found = Thinned(5)  # angle from revolution 0, level, time in s, speed in rpm, turning

    def add_edges(self, edges: Edges) -> None:
        self._edges = Edges.join([self._edges, edges])
        self._settle()

    def add(self, teeth: Teeth) -> None:
        known = teeth.revolution >= 0
        new = (teeth.ticks, teeth.revolution, teeth.tooth.astype(np.int64), teeth.turning.astype(np.int64))
        self._teeth = [np.concatenate([held, column[known]]) for held, column in zip(self._teeth, new, strict=True)]
        self._settle()

    def _settle(self) -> None:
        """Give an angle to the edges that lie between two crank teeth of one stretch; drop the rest."""
        tick, revolution, tooth, turning = self._teeth
        if len(tick) < 2 or not len(self._edges):
            self._forget()
            return
        ready = int(np.searchsorted(self._edges.ticks, tick[-1], side="right"))
        ticks, levels = self._edges.ticks[:ready], self._edges.levels[:ready]
        self._edges = Edges(self._edges.ticks[ready:], self._edges.levels[ready:])
        if len(ticks):
            self._last_tick = int(ticks[-1])
        b = np.clip(np.searchsorted(tick, ticks, side="left"), 1, len(tick) - 1)
        a = b - 1
        from_deg, to_deg = (revolution[at] * self._turn + self._angles[tooth[at] - 1] for at in (a, b))
        step, deg = tick[b] - tick[a], to_deg - from_deg
        between = (ticks >= tick[a]) & (turning[a] == turning[b]) & (step > 0) & (deg < 180)
        share = (ticks - tick[a]) / np.maximum(step, 1)
        rpm = deg / (6.0 * np.maximum(step, 1) * self._tick_s)
        rows = np.stack([from_deg + deg * share, levels, ticks * self._tick_s + self._t0_s, rpm, turning[a]], axis=1)
        rows = rows[between]
        self._found.add(rows, np.floor(rows[:, 0] / (TOGETHER * CYCLE_DEG)).astype(np.int64))
        self._forget()

    def _forget(self) -> None:
        """Crank teeth before the last cam edge that has its angle; a silent cam must not make them pile up."""
        first = max(int(np.searchsorted(self._teeth[0], self._last_tick)) - 1, 0)
        self._teeth = [column[first:][-MOST_TEETH:] for column in self._teeth]

    def cycles(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Whole cycles: t_s (c,), rpm (c,), angles (c, edges) in crank degrees, levels (edges,)."""
        rows = self._found.rows()
        none = np.empty(0)
        if len(rows) < 2:
            return none, none, np.empty((0, 0)), none
        parts = [self._of_turning(rows[rows[:, 4] == turning]) for turning in np.unique(rows[:, 4])]
        best = max(parts, key=lambda part: len(part[0]))
        return best

    @staticmethod
    def _of_turning(rows: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        place = rows[:, 0] % CYCLE_DEG
        # Cut the cycle where no edge ever is, so that none wanders across the cut.
        order = np.sort(place)
        holes = np.diff(np.append(order, order[0] + CYCLE_DEG))
        widest = int(holes.argmax())
        cut = (order[widest] + holes[widest] / 2) % CYCLE_DEG
        number = np.floor((rows[:, 0] - cut) / CYCLE_DEG)
        starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1) != 0)
        size = np.diff(np.append(starts, len(rows)))
        usual = int(np.median(size))
        whole = starts[size == usual][1:-1] if len(starts) > 4 else starts[size == usual]
        table = rows[whole[:, None] + np.arange(usual)]
        levels = np.median(table[:, :, 1], axis=0) if len(table) else np.zeros(usual)
        alike = (table[:, :, 1] == levels).all(axis=1)
        table, base = table[alike], (number[whole][alike] * CYCLE_DEG)[:, None]
        return table[:, 0, 2], table[:, :, 3].mean(axis=1), table[:, :, 0] - base, levels

    def edges_deg(self) -> tuple[Floats, Floats, Floats, int]:
        """Middle angle of each edge (rising from 0 to 720), its level, its spread, and the number of cycles."""
        _, _, angles, levels = self.cycles()
        if len(angles) < FEWEST_CYCLES:
            return np.empty(0), np.empty(0), np.empty(0), 0
        middle = np.median(angles, axis=0) % CYCLE_DEG
        spread = spread_of(angles, axis=0)
        first = middle[levels == 1] if (levels == 1).any() else middle
        if ((first + 360.0) % CYCLE_DEG).min() < first.min():
            middle = (middle + 360.0) % CYCLE_DEG
        order = np.argsort(middle)
        return middle[order], levels[order], spread[order], len(angles)

    def measures(self, reference_deg: Sequence[float] = ()) -> list[Measure]:
        """`cam_edge`, one an edge, and `cam_shift` where a reference is given and fits."""
        middle, levels, spread, cycles = self.edges_deg()
        out = []
        for n, (angle, level, wide) in enumerate(zip(middle.tolist(), levels.tolist(), spread.tolist(), strict=True)):
            about = {"edge": n + 1, "level": int(level), "spread": round(wide, 3), "channel": "cam"}
            out.append(Measure("cam_edge", angle, "deg", 1.25 * wide / np.sqrt(cycles), about))
        if len(reference_deg) and len(middle):
            found = shift(middle, levels, np.asarray(reference_deg, float))
            if found is not None:
                value, misfit = found
                doubt = float(np.hypot(misfit, np.median(spread) / np.sqrt(cycles)) / np.sqrt(len(reference_deg)))
                out.append(Measure("cam_shift", value, "deg", doubt, {"edges": len(reference_deg)}))
        return out


def shift(middle: Floats, levels: Floats, reference: Floats) -> tuple[float, float] | None:
    """How late the edges are against a reference, and the spread of what is left. Degrees.

    reference: all edges, or those of one level. Either turn may be the first one in it. None where the numbers
    differ or nothing fits.
    """
    best: tuple[float, float, float] | None = None
    for edges in (middle, middle[levels == 1], middle[levels == 0]):
        if len(edges) != len(reference) or not len(edges):
            continue
        ours, theirs = np.sort(edges), np.sort(reference % CYCLE_DEG)
        for turn in (0.0, 360.0):
            for start in range(len(ours)):
                late = (np.roll(ours, -start) - theirs - turn + 360.0) % CYCLE_DEG - 360.0
                late = late[0] + (late - late[0] + 360.0) % CYCLE_DEG - 360.0
                value = float(np.median(late))
                misfit = float(np.sqrt(np.mean((late - value) ** 2)))
                # As good a fit nearer by is the likelier one.
                score = misfit + 0.02 * abs(value)
                if abs(value) <= LATEST_DEG and misfit <= UNLIKE_DEG and (best is None or score < best[0]):
                    best = (score, value, misfit)
    return None if best is None else (best[1], best[2])
