"""Edges that came too early or too late for their neighbours: an interruption held the line while they passed.

Where an edge should be is interpolated from the two before and the two after it, by the cubic through their angles.
What is left over, in degrees, is compared with the same tooth's in the BLOCK revolutions before: their median is the
wheel's own error there, their spread what engine and sensor do by themselves. Timing edges and the edges opposite them
are two series of their own. The first block is judged by itself.

Three things an engine does are no contact's: a speed that changes quickly leaves more of itself over, in proportion to
the change across the five edges; at less than half or more than twice the block's speed the spread is not known; and a
revolution in which many edges stand out is a change of running. They tell nothing.

A moved edge throws off its neighbours' places too, beside a gap by more than itself. So of the edges around one that
stands out, the one is told whose shift explains best, by least squares, what is left over at all of them.

An edge that was moved by less than `limit_deg` cannot be told from that spread; the result says so, and at which share
of the edges anything could be told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Clock
from toothwise.scatter import sigma
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel
from toothwise.wiggle.disturbance import Disturbance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BLOCK = 32
FEWEST_TURNS = 8
FEWEST_TEETH = 8
"""On a wheel with fewer, five edges are more than half a turn, and the engine's own unevenness is no cubic any more."""
FINEST_DEG = 0.004
"""No sensor repeats better than a tenth of the 0.05° that a good one does (from memory)."""
UNEVEN, SWINGS = 0.05, 4
"""Share of a pitch that the cubic may leave over for a whole change of speed across the five edges. For a change that
swings m times a turn it is h²(πm/180)²/18 of the pitch h: 0.04 for m = 8 at 6°, 0.03 for m = 4 at 10°, and so, for the
m = SWINGS of eight cylinders, 0.24 at 30° [D]."""
SURE_OF = 0.98
"""Share of the edges that are judged at which a shift of `limit_deg` is seen."""
FINE, LOWEST_DEG = 0.01, 1e-4
"""Steps in which limits are counted, and where they begin."""
SPEEDS = 2.0
SIGMAS, TAIL = 6.5, 2.0
"""An edge stands out from so many standard deviations on (normal errors go beyond once in 10^10 [D]), and from so many
times what half of the revolutions stay below; a contact that moves an edge in every other one is no background."""
FEW_TEETH, WIDER = 12, 1.5
"""On a wheel with fewer than so many teeth most of what is left over is the engine's cycles, not jitter, and has a
longer tail than normal errors: its limits are so many times wider."""
MOST_OF_ONE = 5.5
"""One moved edge makes five stand out, at most."""
MANY = 0.15
"""Share of a revolution's edges that stand out in a change of running."""


class MovedEdges:
    """One channel. Feed it what the tracker decided; the same however the stream is cut."""

    def __init__(self, wheel: Wheel, clock: Clock, channel: str) -> None:
        self.judges = wheel.teeth >= FEWEST_TEETH
        self._series = [_Series(wheel, clock, channel, back) for back in (False, True)]

    @property
    def limit_deg(self) -> float | None:
        """The shift of an edge that was seen at SURE_OF of the judged edges, in degrees of the wheel; None before it is
        known."""
        limits = [s.limits.at_share(SURE_OF) for s in self._series if s.limits.judged]
        return max(limits) if limits else None

    @property
    def judged(self) -> float:
        """Share of the tracked edges at which a shift could be told at all."""
        every = sum(s.edges for s in self._series)
        return sum(s.limits.judged for s in self._series) / every if every else 0.0

    def feed(self, teeth: Teeth) -> list[Disturbance]:
        return [d for series in self._series for d in series.feed(teeth)] if self.judges and len(teeth) else []

    def finish(self) -> list[Disturbance]:
        return [d for series in self._series for d in series.finish()] if self.judges else []


class _Rows:
    """Residuals of one series, a row an edge, in order of time."""

    NAMES = ("count", "tick", "lag", "residual_deg", "ticks_per_deg", "change")

    def __init__(
        self, count: Ints, tick: Ints, lag: Ints, residual_deg: Floats, ticks_per_deg: Floats, change: Floats
    ) -> None:
        self.count, self.tick, self.residual_deg, self.ticks_per_deg = count, tick, residual_deg, ticks_per_deg
        self.lag = lag  # behind its tooth's timing edge
        self.change = change  # of the speed, from the first of the five edges to the last, relative

    def __len__(self) -> int:
        return len(self.count)

    def part(self, which: slice) -> _Rows:
        return _Rows(*(getattr(self, name)[which] for name in self.NAMES))

    @staticmethod
    def join(parts: list[_Rows]) -> _Rows:
        return _Rows(*(np.concatenate([getattr(part, name) for part in parts]) for name in _Rows.NAMES))


class _Limits:
    """How many edges were judged by which limit."""

    def __init__(self) -> None:
        self._counts = np.zeros(round(math.log(1e7) / FINE), np.int64)
        self.judged = 0

    def add(self, limits_deg: Floats) -> None:
        at = np.log(np.maximum(limits_deg, LOWEST_DEG) / LOWEST_DEG) / FINE
        bins = np.minimum(at.astype(np.int64), len(self._counts) - 1)
        self._counts += np.bincount(bins, minlength=len(self._counts))
        self.judged += len(limits_deg)

    def at_share(self, share: float) -> float:
        """The limit that so many of them do not exceed."""
        at = int(np.searchsorted(np.cumsum(self._counts), share * self.judged))
        return LOWEST_DEG * math.exp(FINE * (at + 1))


class _Series:
    """Timing edges, or the edges opposite them."""

    def __init__(self, wheel: Wheel, clock: Clock, channel: str, back: bool) -> None:
        self._wheel, self._channel, self._back = wheel, channel, back
        self._n = wheel.teeth
        self._weights, self._places_deg = _weights(wheel)
        self._gain = np.sqrt(1.0 + (self._weights**2).sum(axis=1))
        self._carry: tuple[Ints, ...] = (np.empty(0, np.int64),) * 4  # count, tick, lag, turning
        self._open: list[_Rows] = []  # of a revolution that is not over
        self._block: list[_Rows] = []  # of the block that is not over
        self._block_number: int | None = None
        self._middle: Floats | None = None
        self._limit: Floats = np.empty(0)
        self._tail: tuple[_Rows, Floats, Floats, NDArray[np.bool_]] | None = None  # the last rows that were judged
        self._told: list[int] = []  # counts of the edges told last
        self._pitch_deg = float(wheel.steps_deg.min())
        self._uneven = max(UNEVEN, (self._pitch_deg * math.pi * SWINGS / 180.0) ** 2 / 18.0)
        self.limits = _Limits()
        self.edges = 0
        self._ticks_per_deg = 1.0  # of the block

    def feed(self, teeth: Teeth) -> list[Disturbance]:
        rows = self._residuals(teeth)
        if not len(rows):
            return []
        whole = _Rows.join([*self._open, rows])
        turn = whole.count // self._n
        over = int(np.searchsorted(turn, turn[-1]))
        self._open = [whole.part(slice(over, None))]
        return list(self._turns_over(whole.part(slice(0, over))))

    def finish(self) -> list[Disturbance]:
        found = list(self._turns_over(_Rows.join(self._open))) if self._open else []
        self._open = []
        return found + list(self._end_block())

    def _residuals(self, teeth: Teeth) -> _Rows:
        """Every edge with two neighbours on both sides."""
        ticks = teeth.back_ticks if self._back else teeth.ticks
        keep = (ticks >= 0) & (teeth.revolution >= 0)
        count = (teeth.revolution * self._n + teeth.tooth - 1)[keep]
        self.edges += len(count)
        fresh = (count, ticks[keep], (ticks - teeth.ticks)[keep], teeth.turning[keep].astype(np.int64))
        count, tick, lag, turning = (np.concatenate(pair) for pair in zip(self._carry, fresh, strict=True))
        self._carry = (count[-4:], tick[-4:], lag[-4:], turning[-4:])
        if len(count) < 5:
            return _Rows(count[:0], tick[:0], lag[:0], np.empty(0), np.empty(0), np.empty(0))
        good = (count[4:] - count[:-4] == 4) & (turning[4:] == turning[:-4]) & (np.diff(count)[1:-2] > 0)
        at = np.flatnonzero(good) + 2
        tooth = count[at] % self._n
        around = np.stack([tick[at + k] - tick[at] for k in (-2, -1, 1, 2)], axis=1).astype(np.float64)
        places = self._places_deg[tooth]
        per_deg = (around[:, 3] - around[:, 0]) / (places[:, 3] - places[:, 0])
        first, last = ((around[:, j] - around[:, i]) / (places[:, j] - places[:, i]) for i, j in ((0, 1), (2, 3)))
        shift = -(around * self._weights[tooth]).sum(axis=1)
        return _Rows(count[at], tick[at], lag[at], shift / per_deg, per_deg, np.abs(last - first) / per_deg)

    def _turns_over(self, rows: _Rows) -> Iterator[Disturbance]:
        """Whole revolutions, block by block."""
        if not len(rows):
            return
        number = rows.count // (self._n * BLOCK)
        cuts = np.flatnonzero(np.diff(number)) + 1
        for part in (rows.part(slice(a, b)) for a, b in zip([0, *cuts], [*cuts, len(rows)], strict=True)):
            now = int(part.count[0]) // (self._n * BLOCK)
            if self._block_number is not None and now != self._block_number:
                yield from self._end_block()
            self._block_number = now
            self._block.append(part)
            if self._middle is not None:
                yield from self._judge(part)

    def _end_block(self) -> Iterator[Disturbance]:
        block, self._block = self._block, []
        if not block:
            return
        rows = _Rows.join(block)
        first = self._middle is None
        if len(rows) < FEWEST_TURNS * self._n / 2 or not self._learn(rows):
            return
        if first:
            yield from self._judge(rows)

    def _learn(self, rows: _Rows) -> bool:
        tooth = rows.count % self._n
        order = np.argsort(tooth, kind="stable")
        found = np.bincount(tooth, minlength=self._n)
        if found.max() < FEWEST_TURNS:
            return False
        bounds = np.cumsum(found)[:-1]
        middle = np.full(self._n, np.nan)
        spread = np.full(self._n, np.nan)
        for i, lot in enumerate(np.split(rows.residual_deg[order], bounds)):
            if len(lot) >= FEWEST_TURNS / 2:
                middle[i] = np.median(lot)
                spread[i] = sigma(lot - middle[i])
        usual = float(np.nanmedian(spread / self._gain))
        away = np.abs(rows.residual_deg - middle[tooth]) / self._gain[tooth]
        turns, which = np.unique(rows.count // self._n, return_inverse=True)
        worst = np.zeros(len(turns))
        np.maximum.at(worst, which, np.nan_to_num(away))
        tail = float(np.median(worst))
        self._ticks_per_deg = float(np.median(rows.ticks_per_deg))
        own = np.fmax(np.nan_to_num(spread), usual * self._gain)
        floor = max(TAIL * tail, FINEST_DEG, 3.0 / self._ticks_per_deg)
        self._limit = np.maximum(SIGMAS * own, floor * self._gain) * (WIDER if self._n < FEW_TEETH else 1.0)
        self._middle = middle
        return True

    def _judge(self, rows: _Rows) -> Iterator[Disturbance]:
        """Whole revolutions. An edge is judged once all of those are there whose places it may have thrown off."""
        away, limit, out = self._standing_out(rows)
        if self._tail is not None:
            rows = _Rows.join([self._tail[0], rows])
            away, limit, out = (np.concatenate(pair) for pair in zip(self._tail[1:], (away, limit, out), strict=True))
        self._tail = (rows.part(slice(-8, None)), away[-8:], limit[-8:], out[-8:])
        for i in (np.flatnonzero(out[4:-4]) + 4).tolist():
            # Where one of the neighbours cannot be judged, teeth are missing there, and it may be the one that moved.
            if rows.count[i + 2] - rows.count[i - 2] != 4:
                continue
            at, shift_deg = max(self._explains(rows, away, limit, c) for c in range(i - 2, i + 3))[1:]
            if int(rows.count[at]) not in self._told:
                self._told = [*self._told[-4:], int(rows.count[at])]
                yield self._moved(rows, at, shift_deg)

    def _explains(self, rows: _Rows, away: Floats, limit: Floats, at: int) -> tuple[float, int, float]:
        """How much of what is left over around an edge its own shift explains; the edge; the shift."""
        near = np.arange(at - 2, at + 3)
        near = near[(rows.count[near] - rows.count[at] == near - at) & np.isfinite(limit[near])]
        back = 2 + at - near  # the edge among its neighbour's own four and itself: -2, -1, itself, 1, 2
        answer = -np.insert(self._weights, 2, -1.0, axis=1)[rows.count[near] % self._n, back]
        of, by = away[near] / limit[near], answer / limit[near]
        power = float(by @ by)
        shift = float(of @ by) / power if power else 0.0
        return shift * shift * power, at, shift

    def _standing_out(self, rows: _Rows) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """How far each edge is from its place, the limit of that, infinite where it cannot be judged, and whether it
        stands out."""
        assert self._middle is not None
        tooth = rows.count % self._n
        away = rows.residual_deg - self._middle[tooth]  # not a number where the tooth is not known yet
        pace = rows.ticks_per_deg / self._ticks_per_deg
        # What a sensor does to the teeth beside a gap changes with the speed.
        own = self._limit[tooth] + np.nan_to_num(np.abs(self._middle[tooth] * (1.0 - pace)))
        limit = np.maximum(own, self._uneven * self._pitch_deg * rows.change)
        limit[~((pace < SPEEDS) & (pace * SPEEDS > 1) & np.isfinite(away))] = np.inf
        out = np.abs(np.nan_to_num(away)) > limit
        where, which = np.unique(rows.count // self._n, return_inverse=True)
        many = np.bincount(which, out, len(where)) > max(MANY * self._n, MOST_OF_ONE)
        limit[many[which]] = np.inf
        self.limits.add(limit[np.isfinite(limit)])
        return np.nan_to_num(away), limit, out & ~many[which]

    def _moved(self, rows: _Rows, i: int, away_deg: float) -> Disturbance:
        shift = round(away_deg * float(rows.ticks_per_deg[i]))
        tick, count = int(rows.tick[i]), int(rows.count[i])
        pitch = self._pitch_deg * float(rows.ticks_per_deg[i])
        tooth = count % self._n
        seen_deg = float(rows.lag[i] / rows.ticks_per_deg[i]) if self._back else away_deg
        return Disturbance(
            "moved",
            self._channel,
            min(tick, tick - shift),
            max(tick, tick - shift),
            abs(shift),
            abs(shift) + round(pitch),
            revolution=count // self._n,
            tooth=tooth + 1,
            angle_deg=self._wheel.angles_deg[tooth] + seen_deg,
        )


def _weights(wheel: Wheel) -> tuple[Floats, Floats]:
    """For each tooth the weights of its four neighbours' times, by Lagrange's cubic in the angle [D], and where
    they are, in degrees from it."""
    n, turn = wheel.teeth, wheel.turn_deg
    angles = np.array(wheel.angles_deg)
    at = np.arange(n)[:, None] + np.array([-2, -1, 1, 2])
    x = angles[at % n] + turn * (at // n) - angles[:, None]
    weights = np.ones((n, 4))
    for i in range(4):
        for j in range(4):
            if i != j:
                weights[:, i] *= -x[:, j] / (x[:, i] - x[:, j])
    return weights, x
