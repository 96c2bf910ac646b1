"""Teeth whose opposite edge stands far from where that tooth always has it: an interruption fell on the edge.

A contact that opens while an edge is due moves that edge instead of adding two. Counting sees nothing; the width of
that one tooth does. Blocks of turns are looked at as they are complete. A tooth's width is taken as a share of the
local pitch, its neighbours' middle width is taken off (what speed and amplitude do to all of them), then its own
middle over the block (what makes this tooth itself wide or narrow). What is left must be farther from 0 than anything
the block's own spread explains.

Not looked at: teeth beside a gap, whose width depends on amplitude in its own way; turns that lack a tooth or an
opposite edge, or that the tracker has an event in already; wheels whose widths carry a code.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.tail import Stretch, Tail
from toothwise.edges.signal import Clock
from toothwise.records import Event
from toothwise.scatter import sigma
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

Floats = NDArray[np.float64]

BLOCK = 16
"""Turns looked at together; as many may wait."""
FEWEST_TURNS = 8
SPREADS = 12.0
"""Twice what a normal distribution reaches once in 10⁹ (6.1 [D]): real ones have heavier tails."""
LEAST = 0.1
"""Share of a pitch that an edge must be off at least."""
NEIGHBOURS = 7
ALONE = 0.4
"""The teeth beside it are off by no more than this share: otherwise it was the speed."""


class OppositeEdges:
    """Feed one channel's teeth; returns events of kind `extra`, each with `more["edge"] = "moved"`.

    They are the same however the stream is cut: a block is the turns of one number over BLOCK.
    """

    def __init__(self, wheel: Wheel, clock: Clock, channel: str = "crank") -> None:
        self._wheel, self._channel = wheel, channel
        steps = np.round(wheel.steps_deg / wheel.pitch_deg, 2)
        plain = np.isclose(steps, 1.0)
        self._usable = plain & np.roll(plain, 1) & np.roll(plain, -1)
        self._angles = np.array(wheel.angles_deg)
        coded = wheel.widths_deg is not None or wheel.widths_carry_code
        self.active = not coded and int(self._usable.sum()) >= NEIGHBOURS
        self._tail = Tail(wheel.teeth)
        self._rows: list[tuple[int, NDArray[np.int64], NDArray[np.int64]]] = []
        self._block: tuple[int, int] | None = None
        self._busy: list[tuple[int, int]] = []

    def add(self, teeth: Teeth) -> list[Event]:
        if not self.active:
            return []
        self._busy += [(e.tick, e.end_tick) for e in teeth.events if e.kind != "stopped"]
        seen = self._tail.then(teeth)
        out: list[Event] = []
        n = self._wheel.teeth
        if len(seen) > n:
            for at in self._whole_turns(seen).tolist():
                block = (int(seen.turning[at]), int(seen.revolution[at]) // BLOCK)
                if block != self._block:
                    out += self.finish()
                    self._block = block
                turn = slice(at, at + n + 1)
                self._rows.append((int(seen.revolution[at]), seen.ticks[turn], seen.back_ticks[turn][:-1]))
        return out

    def _whole_turns(self, seen: Stretch) -> NDArray[np.int64]:
        n = self._wheel.teeth
        first = np.flatnonzero((seen.tooth[:-n] == 1) & (seen.revolution[:-n] >= 0))
        good = (seen.tooth[first + n] == 1) & (seen.revolution[first + n] == seen.revolution[first] + 1)
        good &= seen.turning[first + n] == seen.turning[first]
        return np.asarray(first[good])

    def finish(self) -> list[Event]:
        """Judge the block under way."""
        rows, self._rows = self._rows, []
        if not rows:
            return []
        ticks = np.stack([row[1] for row in rows])
        backs = np.stack([row[2] for row in rows])
        free = np.array([not self._is_busy(int(row[0]), int(row[-1])) for row in ticks])
        self._busy = [span for span in self._busy if span[1] > int(ticks[-1, 0])]
        seen = free & (backs[:, self._usable] >= 0).all(axis=1)
        if seen.sum() < FEWEST_TURNS:
            return []
        numbers = np.array([row[0] for row in rows])[seen]
        ticks, backs = ticks[seen], backs[seen]
        off = self._off_place(ticks, backs)
        spread = max(float(sigma(off)), float(np.quantile(np.abs(off), 0.98)) / 2.3)
        limit = max(SPREADS * spread, LEAST)
        far = np.abs(off) > limit
        beside = np.maximum(np.abs(np.roll(off, 1, axis=1)), np.abs(np.roll(off, -1, axis=1)))
        far &= beside < ALONE * np.abs(off)
        teeth = np.flatnonzero(self._usable)
        return [
            self._event(int(numbers[r]), int(teeth[k]), ticks[r], int(backs[r, teeth[k]]), float(off[r, k]))
            for r, k in zip(*np.nonzero(far), strict=True)
        ]

    def _is_busy(self, start: int, end: int) -> bool:
        return any(a <= end and b >= start for a, b in self._busy)

    def _off_place(self, ticks: NDArray[np.int64], backs: NDArray[np.int64]) -> Floats:
        """(turns, usable teeth): how far each opposite edge is from its usual place, in pitches."""
        pitch = np.maximum(ticks[:, 1:] - ticks[:, :-1], 1).astype(np.float64)
        before = np.roll(pitch, 1, axis=1)
        before[:, 0] = pitch[:, 0] ** 2 / pitch[:, 1]  # the turn before may have been another speed's: as it goes on
        local = (pitch + before) / 2
        share = ((backs - ticks[:, :-1]) / np.maximum(local, 1))[:, self._usable]
        half = NEIGHBOURS // 2
        padded = np.concatenate([share[:, -half:], share, share[:, :half]], axis=1)
        around = np.median(np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS, axis=1), axis=2)
        rest = share - around
        return np.asarray(rest - np.median(rest, axis=0))

    def _event(self, revolution: int, tooth: int, ticks: NDArray[np.int64], back: int, off: float) -> Event:
        return Event(
            "extra",
            self._channel,
            back,
            back,
            revolution,
            tooth + 1,
            float(self._angles[tooth]),
            1,
            more={"edge": "moved", "pitches": round(off, 3)},
        )
