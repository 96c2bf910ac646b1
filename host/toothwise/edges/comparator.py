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

Between two half-waves a wave may lie flat at the level, as a coil's often does in the gap of its wheel; noise and hum
then pass the level anywhere. Where a half-wave is begun that long before it leaves the level, the edge is where it
leaves.

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
from toothwise.scatter import sigma

SHARE = 0.3
PEAKS = 5
INTERVALS = 8
SILENT_INTERVALS = 4.0
FLAT_INTERVALS = 0.25
"""So long at the level, in usual intervals, is flat: a quarter of a half-wave."""
LEAVES = 0.5
"""Share of its threshold at which a half-wave has left the level: a sine has after a fortieth of its period [D]."""
NOISE_SIGMAS = 6.0
RESTS = 3.0
"""So many times as often at one voltage as at nought is a line that rests there: an offset of the recorder's."""
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
        # Nought, whatever the wave's shape does to its middle; unless it is elsewhere that the line rests.
        near = max(3.0 * noise_v, 1.5 * step_v)
        rests, at_nought = (int(np.count_nonzero(np.abs(volts - v) <= near)) for v in (level, 0.0))
        if rests <= RESTS * at_nought:
            level = 0.0
    return Judgement("wave", level, max(min(floor, SHARE * size), least_v))


def noise_sigma(volts: Volts) -> float:
    """White noise under a smooth signal, from second differences (their sigma is √6 times the noise's)."""
    if len(volts) < 3:
        return 0.0
    return float(sigma(np.diff(volts, 2)) / np.sqrt(6.0))


def _width(volts: Volts) -> float:
    return float(np.subtract(*np.quantile(volts, [0.9, 0.1]))) if len(volts) else 0.0


@dataclass(slots=True)
class _HalfWave:
    """The last one begun: when it passed the level, which way, how far it went, whether it counted, and when it left
    the level, if it has."""

    tick: int
    sign: int
    peak: float
    counted: bool
    left: int | None = None


@dataclass(frozen=True, slots=True)
class _Samples:
    """Samples of one call, how far each is from the level, and where among them each half-wave begins."""

    ticks: Ticks
    size: Volts
    begins: NDArray[np.int64]

    def left(self, limits: Volts) -> Ticks:
        """When each half-wave first is as far from the level as its limit; the last sample's tick if it never is."""
        lengths = np.diff(np.append(self.begins, len(self.size)))
        start, stop = int(self.begins[0]), len(self.size)
        far = self.size[start:] >= np.repeat(limits, lengths)
        place = np.where(far, np.arange(start, stop), stop - 1)
        return np.asarray(self.ticks[np.minimum.reduceat(place, self.begins - start)])


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
        self._finish_half(ticks, size, int(begins[0]) if len(begins) else len(size), before)
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
            at, peaks, begins, first_sign = at[1:], peaks[1:], begins[1:], -first_sign
        return self._count(at, peaks, first_sign, _Samples(ticks, size, begins))

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

    def _finish_half(self, ticks: Ticks, size: Volts, end: int, sign: int) -> None:
        """The half-wave under way goes on to the first new one."""
        if self._half is not None and end > 0 and sign:
            peak = float(size[:end].max())
            if not self._half.counted and self._half.left is None:
                self._half.left = self._left(self._half.tick, ticks[:end], size[:end])
            if peak > self._half.peak:
                self._half.peak = peak
                if self._half.counted and self._peaks:
                    self._peaks[-1] = max(self._peaks[-1], peak)

    def _late_edge(self) -> tuple[Edges, NDArray[np.float32]]:
        """The half-wave under way may only now have gone far enough."""
        half = self._half
        if half is None or half.counted or half.sign == self._counted_sign:
            return Edges.none(), np.empty(0, np.float32)
        return self._count(np.array([half.tick]), np.array([half.peak]), half.sign, None)

    def _left(self, tick: int, ticks: Ticks, size: Volts) -> int | None:
        """When a half-wave begun at `tick` leaves the level in these samples of it; None if not yet."""
        far = np.flatnonzero(size >= LEAVES * self._threshold(tick))
        return int(ticks[far[0]]) if len(far) else None

    def _count(
        self, at: Ticks, peaks: Volts, first_sign: int, samples: _Samples | None
    ) -> tuple[Edges, NDArray[np.float32]]:
        """Edges and margins of these half-waves and the one under way. samples: theirs, None if that is alone."""
        half, waits = self._half, False
        if samples is None:
            waits = True
        elif half is not None and not half.counted and half.sign != self._counted_sign and half.sign != first_sign:
            at, peaks, first_sign = np.append(half.tick, at), np.append(half.peak, peaks), half.sign
            waits = True
        before = half.left if waits and half is not None else None
        signs = np.where(np.arange(len(at)) % 2 == 0, first_sign, -first_sign)
        plain = self._all_count(at, peaks, first_sign)
        if plain is not None:
            thresholds, usual = plain
            counted = np.ones(len(at), bool)
        else:
            counted, thresholds, usual = self._one_by_one(at, peaks, signs)
        placed = at
        if self.judgement.kind == "wave" and len(at):
            left = at[:1] if before is None else np.array([before])
            if samples is not None:
                own = samples.left(LEAVES * thresholds[int(waits) :])
                left = np.append(left, own) if waits else own
            placed = np.where(counted & (left - at > FLAT_INTERVALS * usual), left, at)
        if len(at):
            self._half = _HalfWave(int(at[-1]), int(signs[-1]), float(peaks[-1]), bool(counted[-1]), before)
            if samples is not None and not counted[-1]:
                last = int(samples.begins[-1])
                self._half.left = self._left(self._half.tick, samples.ticks[last:], samples.size[last:])
        levels = (signs[counted] > 0).astype(np.uint8)
        margins = peaks[counted] / thresholds[counted]
        return Edges(placed[counted], levels), margins.astype(np.float32)

    def _all_count(self, at: Ticks, peaks: Volts, first_sign: int) -> tuple[Volts, Volts] | None:
        """The usual case at once, where every half-wave counts and none came after a silence: each one's threshold, and
        the interval usual before it."""
        j = self.judgement
        usual = np.full(len(at), np.inf)
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
            usual = np.median(sliding_window_view(gaps, INTERVALS), axis=1)[:-1]
        if (peaks < threshold).any():
            return None
        self._peaks.extend(peaks[-PEAKS:].tolist())
        before = np.concatenate([[at[0] if self._last_edge is None else self._last_edge], at])
        self._intervals.extend(np.diff(before)[-INTERVALS:].tolist())
        self._last_edge = int(at[-1])
        self._counted_sign = first_sign if len(at) % 2 else -first_sign
        return threshold, usual

    def _one_by_one(self, at: Ticks, peaks: Volts, signs: NDArray[np.int64]) -> tuple[NDArray[np.bool_], Volts, Volts]:
        """Which count, their thresholds, and the intervals usual before them."""
        counted = np.zeros(len(at), bool)
        thresholds, usual = np.full(len(at), np.inf), np.full(len(at), np.inf)
        for i, (tick, peak, sign) in enumerate(zip(at.tolist(), peaks.tolist(), signs.tolist(), strict=True)):
            if sign == self._counted_sign:
                # The swing between was too small to count: this is the same half-wave going on.
                if self._peaks:
                    self._peaks[-1] = max(self._peaks[-1], peak)
                continue
            threshold = self._threshold(tick)
            if peak < threshold:
                continue
            counted[i], thresholds[i] = True, threshold
            if len(self._intervals) == INTERVALS:
                usual[i] = median(self._intervals)
            if self._silences(tick) > 1:
                self._peaks.clear()  # what came before the silence says nothing about now
            elif self._last_edge is not None:
                self._intervals.append(tick - self._last_edge)
            self._last_edge, self._counted_sign = tick, sign
            self._peaks.append(peak)
        return counted, thresholds, usual

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
