"""Volts to edges: a level, and a hysteresis that follows the signal's own size.

A wave (variable reluctance) grows with speed from tenths of a volt to tens; a switched signal (Hall) keeps its two
levels. In both an edge is the moment at which the volts pass the level, on their way to a half-wave that goes far
enough beyond it:

    floor       what noise and the converter's step may reach, from the file itself
    threshold   wave: the larger of the floor and `SHARE` of the median of the last accepted peaks; when nothing has
                come for four of the longest recent intervals it halves, and again each time as long, down to the
                floor: a sensor that comes back weaker is seen again
                switched: `SHARE` of half the distance between the two levels
    margin      peak over threshold, one an edge; 1 is just seen

A half-wave below the threshold is no edge: a weak tooth is missing here as it is to a control unit, and the margins
of its neighbours tell how near to it they are.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from toothwise.edges.signal import Edges, Ticks

SHARE = 0.3
PEAKS = 5
INTERVALS = 8
SILENT_INTERVALS = 4.0
NOISE_SIGMAS = 6.0
RAIL_SHARE = 0.2
"""Volts this near to a rail, of the distance between the rails, belong to it."""
TIGHT_SHARE = 0.08
"""A switched signal's rail is no wider than this."""

Volts = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Judgement:
    """How a signal is to be turned into edges.

    kind: "wave" or "switched". level_v: where edges count. floor_v: the least half-wave.
    half_v: half the distance between the levels of a switched signal, 0 for a wave.
    """

    kind: str
    level_v: float
    floor_v: float
    half_v: float = 0.0


def judge(volts: Volts, noise_v: float, step_v: float, *, level_v: float | None, least_v: float) -> Judgement:
    """Look at samples from all over a recording. noise_v: its sigma; step_v: the converter's; least_v: never lower."""
    low, middle, high = np.quantile(volts, [0.005, 0.5, 0.995])
    if high - low <= 4 * max(noise_v, step_v):
        low, high = volts.min(), volts.max()
    floor = float(max(NOISE_SIGMAS * noise_v, 1.5 * step_v, least_v))
    swing = high - low
    lower, upper = volts[volts < low + RAIL_SHARE * swing], volts[volts > high - RAIL_SHARE * swing]
    switched = (
        len(lower) + len(upper) > 0.8 * len(volts)
        and _width(lower) < TIGHT_SHARE * swing
        and _width(upper) < TIGHT_SHARE * swing
    )
    if switched and swing > 0:
        lower_v, upper_v = float(np.median(lower)), float(np.median(upper))
        half = (upper_v - lower_v) / 2
        level = (upper_v + lower_v) / 2 if level_v is None else level_v
        return Judgement("switched", level, max(min(floor, SHARE * half), least_v), half)
    level = float(middle) if level_v is None else level_v
    size = float(np.quantile(np.abs(volts - level), 0.75))
    if level_v is None and abs(level) < 0.2 * size:
        level = 0.0
    return Judgement("wave", level, max(min(floor, SHARE * size), least_v))


def noise_sigma(volts: Volts) -> float:
    """White noise under a smooth signal, from second differences (their sigma is √6 times the noise's)."""
    if len(volts) < 3:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(volts, 2))) / np.sqrt(6.0))


def _width(volts: Volts) -> float:
    return float(np.subtract(*np.quantile(volts, [0.9, 0.1]))) if len(volts) else 0.0


@dataclass(slots=True)
class _HalfWave:
    """The last one begun: when it passed the level, which way, how far it went, and whether it counted."""

    tick: int
    sign: int
    peak: float
    counted: bool


class Comparator:
    """One channel's samples, stretch by stretch, to edges and margins."""

    def __init__(self, judgement: Judgement) -> None:
        self.judgement = judgement
        self._peaks: deque[float] = deque(maxlen=PEAKS)
        self._intervals: deque[int] = deque(maxlen=INTERVALS)
        self._last_edge: int | None = None
        self._half: _HalfWave | None = None
        self._counted_sign = 0
        self._last: tuple[int, float] | None = None
        self._crossing: int | None = None

    def feed(self, ticks: Ticks, volts: Volts) -> tuple[Edges, NDArray[np.float32]]:
        """Edges of these samples and each one's margin; samples follow those of the last call."""
        if not len(ticks):
            return Edges.none(), np.empty(0, np.float32)
        j = self.judgement
        if self._last is not None:
            ticks, volts = np.append(self._last[0], ticks), np.append(self._last[1], volts)
        beyond = volts - j.level_v
        size = np.abs(beyond)
        clear = np.flatnonzero(size > j.floor_v)
        up = beyond > 0
        crossings = np.flatnonzero(up[1:] != up[:-1])
        before = 0 if self._half is None else self._half.sign
        signs = np.where(up[clear], 1, -1)
        changes = np.flatnonzero(signs != np.concatenate([[before], signs[:-1]]))
        begins = clear[changes]
        self._finish_half(size, int(begins[0]) if len(begins) else len(size), before)
        peaks = np.maximum.reduceat(size, begins) if len(begins) else np.empty(0)
        at = self._crossing_ticks(ticks, beyond, crossings, begins)
        self._last = int(ticks[-1]), float(volts[-1])
        if len(crossings):
            self._crossing = int(self._interpolate(ticks, beyond, crossings[-1:])[0])
        if not len(begins):
            return self._late_edge()
        first_sign = int(signs[changes[0]])
        if self._half is None:
            # The half-wave the recording begins in has no crossing, or one of noise; it is no edge.
            self._half = _HalfWave(int(at[0]), first_sign, float(peaks[0]), True)
            self._counted_sign = first_sign
            at, peaks, first_sign = at[1:], peaks[1:], -first_sign
        return self._count(at, peaks, first_sign)

    def held_from(self, until: int) -> int:
        """How far silence is certain: not past a half-wave that may still turn out to count, nor past a crossing of the
        level that no sample clear of it has followed yet. The next crossing may be as early as the last sample.
        """
        half, last = self._half, self._last
        if half is not None and not half.counted and half.sign != self._counted_sign:
            return half.tick
        if last is None:
            return until
        side = 1 if last[1] > self.judgement.level_v else -1
        waits = self._crossing is not None and (half is None or half.sign != side)
        return min(until, last[0] if not waits or self._crossing is None else self._crossing)

    # Crossings ------------------------------------------------------------------------------------

    def _crossing_ticks(
        self, ticks: Ticks, beyond: Volts, crossings: NDArray[np.int64], begins: NDArray[np.int64]
    ) -> Ticks:
        """When each half-wave passed the level: the last crossing before it went beyond the floor."""
        which = np.searchsorted(crossings, begins) - 1
        out = np.full(len(begins), self._crossing or 0, np.int64)
        here = which >= 0
        out[here] = self._interpolate(ticks, beyond, crossings[which[here]])
        return out

    @staticmethod
    def _interpolate(ticks: Ticks, beyond: Volts, i: NDArray[np.int64]) -> Ticks:
        share = beyond[i] / (beyond[i] - beyond[i + 1])
        return ticks[i] + np.rint(share * (ticks[i + 1] - ticks[i])).astype(np.int64)

    # Which half-waves count -----------------------------------------------------------------------

    def _finish_half(self, size: Volts, end: int, sign: int) -> None:
        """The half-wave under way goes on to the first new one."""
        if self._half is not None and end > 0 and sign:
            peak = float(size[:end].max())
            if peak > self._half.peak:
                self._half.peak = peak
                if self._half.counted and self._peaks:
                    self._peaks[-1] = max(self._peaks[-1], peak)

    def _late_edge(self) -> tuple[Edges, NDArray[np.float32]]:
        """The half-wave under way may only now have gone far enough."""
        half = self._half
        if half is None or half.counted or half.sign == self._counted_sign:
            return Edges.none(), np.empty(0, np.float32)
        return self._count(np.array([half.tick]), np.array([half.peak]), half.sign)

    def _count(self, at: Ticks, peaks: Volts, first_sign: int) -> tuple[Edges, NDArray[np.float32]]:
        half = self._half
        if half is not None and not half.counted and half.sign != self._counted_sign and half.sign != first_sign:
            at, peaks, first_sign = np.append(half.tick, at), np.append(half.peak, peaks), half.sign
        signs = np.where(np.arange(len(at)) % 2 == 0, first_sign, -first_sign)
        plain = self._all_count(at, peaks, first_sign)
        if plain is not None:
            margins = plain
            counted = np.ones(len(at), bool)
        else:
            counted, margins = self._one_by_one(at, peaks, signs)
        if len(at):
            self._half = _HalfWave(int(at[-1]), int(signs[-1]), float(peaks[-1]), bool(counted[-1]))
        levels = (signs[counted] > 0).astype(np.uint8)
        return Edges(at[counted], levels), margins[counted].astype(np.float32)

    def _all_count(self, at: Ticks, peaks: Volts, first_sign: int) -> Volts | None:
        """The usual case at once: margins, where every half-wave counts and none came after a silence."""
        j = self.judgement
        if not len(at) or first_sign == self._counted_sign:
            return None
        if j.kind == "switched":
            threshold = np.full(len(peaks), max(j.floor_v, SHARE * j.half_v))
        else:
            if len(self._peaks) < PEAKS or self._last_edge is None or len(self._intervals) < INTERVALS:
                return None
            times = np.concatenate([[self._last_edge - i for i in _back(self._intervals)], [self._last_edge], at])
            gaps = np.diff(times)
            longest = sliding_window_view(gaps, INTERVALS).max(axis=1)[:-1]
            if (gaps[INTERVALS:] > SILENT_INTERVALS * longest).any():
                return None
            recent = np.median(sliding_window_view(np.concatenate([self._peaks, peaks]), PEAKS), axis=1)[:-1]
            threshold = np.maximum(j.floor_v, SHARE * recent)
        if (peaks < threshold).any():
            return None
        self._peaks.extend(peaks[-PEAKS:].tolist())
        before = np.concatenate([[at[0] if self._last_edge is None else self._last_edge], at])
        self._intervals.extend(np.diff(before)[-INTERVALS:].tolist())
        self._last_edge = int(at[-1])
        self._counted_sign = first_sign if len(at) % 2 else -first_sign
        margins: Volts = peaks / threshold
        return margins

    def _one_by_one(self, at: Ticks, peaks: Volts, signs: NDArray[np.int64]) -> tuple[NDArray[np.bool_], Volts]:
        counted = np.zeros(len(at), bool)
        margins = np.zeros(len(at))
        for i, (tick, peak, sign) in enumerate(zip(at.tolist(), peaks.tolist(), signs.tolist(), strict=True)):
            if sign == self._counted_sign:
                # The swing between was too small to count: this is the same half-wave going on.
                if self._peaks:
                    self._peaks[-1] = max(self._peaks[-1], peak)
                continue
            threshold = self._threshold(tick)
            if peak < threshold:
                continue
            counted[i], margins[i] = True, peak / threshold
            if self._silences(tick) > 1:
                self._peaks.clear()  # what came before the silence says nothing about now
            elif self._last_edge is not None:
                self._intervals.append(tick - self._last_edge)
            self._last_edge, self._counted_sign = tick, sign
            self._peaks.append(peak)
        return counted, margins

    def _threshold(self, tick: int) -> float:
        j = self.judgement
        if j.kind == "switched":
            return max(j.floor_v, SHARE * j.half_v)
        if not self._peaks:
            return j.floor_v
        faded: float = 0.5 ** min(max(self._silences(tick) - 1, 0.0), 60.0)
        return max(j.floor_v, SHARE * median(self._peaks) * faded)

    def _silences(self, tick: int) -> float:
        """How many times as long as a silence it is since the last edge."""
        if self._last_edge is None or not self._intervals:
            return 0.0
        return (tick - self._last_edge) / (SILENT_INTERVALS * max(1, max(self._intervals)))


def _back(intervals: deque[int]) -> list[int]:
    """How long before the last edge each of the edges before it was, the longest first."""
    out: list[int] = []
    total = 0
    for interval in reversed(intervals):
        total += interval
        out.append(total)
    return out[::-1]
