"""What a sensor makes of a wheel: a Hall switch's levels, or a coil's voltage and its comparator's levels.

A sensor's `sense` gives the clean line of one channel and the true teeth beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from toothwise.model.line import Line
from toothwise.model.motion import Floats, Ints, Motion, Spin
from toothwise.model.profiles import RPM
from toothwise.model.wheel import MadeWheel


@dataclass(frozen=True, eq=False)
class TrueTeeth:
    """Every tooth position that passed the sensor, whether or not a tooth was there to be seen.

    t_s: when the timing edge passed or, for a tooth that made none, was due. Shape (n,), rising.
    tooth: 1 to `Wheel.teeth`. revolution: turns of the wheel since the motion's angle 0; `made` counts them
    as the records do. seen: made its timing edge. backwards: passed while the shaft turned the wrong way.
    """

    t_s: Floats
    tooth: NDArray[np.int32]
    revolution: Ints
    seen: NDArray[np.bool_]
    backwards: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.t_s)


class Sensor(Protocol):
    """Either kind of sensor."""

    def sense(self, made: MadeWheel, motion: Motion, rng: np.random.Generator) -> tuple[Line, TrueTeeth]: ...


def passings(made: MadeWheel, motion: Motion, spin: Spin, places_deg: Floats) -> tuple[Floats, Ints, Ints]:
    """When each place of the wheel passes angle 0 of the sensor during one spin.

    places_deg: shape (n,). Returns times in order, the index into places, and the turn. The spin's start
    belongs to it, its end does not.
    """
    turn = made.turn_deg
    low, high = sorted((float(motion.angle_deg[spin.first]), float(motion.angle_deg[spin.last])))
    turns = np.arange(int(np.floor(low / turn)) - 1, int(np.ceil(high / turn)) + 1)
    angles = (turns[:, None] * turn + places_deg[None, :]).ravel()
    index = np.tile(np.arange(len(places_deg)), len(turns))
    of_turn = np.repeat(turns, len(places_deg))
    if made.moved:
        # The ring moves while it turns: a few rounds of fixed-point settle both, it is the slower by far.
        at = angles
        for _ in range(4):
            at = angles + made.shift_deg(motion.times_in(spin, np.clip(at, low, high)))
        angles = at
    inside = (angles >= low) & (angles < high) if spin.direction > 0 else (angles > low) & (angles <= high)
    angles, index, of_turn = angles[inside], index[inside], of_turn[inside]
    order = np.argsort(angles * spin.direction, kind="stable")
    return motion.times_in(spin, angles[order]), index[order], of_turn[order]


@dataclass(frozen=True, slots=True)
class Hall:
    """A switching sensor: low or high while a tooth is there.

    active: the level a tooth makes.
    jitter_deg: standard deviation of each switch point, a share of nothing: degrees of the shaft.
    gap_mm, temperature_c: away from 1 mm and 25 °C the tooth looks narrower (wider gap, hotter) or wider.
    settling_teeth, settling_deg: after power-up the first teeth come late by so much, falling to nothing.
    needs: share of a whole tooth's height it must see at a 1 mm gap.
    """

    active: int = 0
    jitter_deg: float = 0.01
    gap_mm: float = 1.0
    temperature_c: float = 25.0
    settling_teeth: int = 0
    settling_deg: float = 0.0
    needs: float = 0.35

    def sense(self, made: MadeWheel, motion: Motion, rng: np.random.Generator) -> tuple[Line, TrueTeeth]:
        timing, n = made.timing_deg, made.wheel.teeth
        narrow = made.widths * (0.08 * (self.gap_mm - 1.0) + 0.0004 * (self.temperature_c - 25.0))
        lead = timing + made.chips[:, 0] + narrow / 2
        trail = timing + made.widths - made.chips[:, 1] - narrow / 2
        gap = self.gap_mm + made.air_gap_change_mm(timing)
        needed = self.needs * np.exp(2 * np.pi * (gap - 1.0) / made.pitch_mm)
        sees = (made.heights >= needed) & (trail > lead)
        places = np.concatenate((lead, trail))
        lines: list[tuple[Floats, Ints, Ints, int]] = []
        for spin in motion.spins:
            t, which, turn = passings(made, motion, spin, places)
            lines.append((t, which, turn, spin.direction))
        t = np.concatenate([p[0] for p in lines])
        which = np.concatenate([p[1] for p in lines])
        turns = np.concatenate([p[2] for p in lines])
        way = np.concatenate([np.full(len(p[0]), p[3]) for p in lines])
        t = self._shaken(t, motion, rng)
        leads = which < n
        shows = sees[which % n]
        rises = leads == (way > 0)
        line = Line(t[shows], np.where(rises[shows], self.active, 1 - self.active).astype(np.uint8), 1 - self.active)
        if len(line):
            line = Line(line.t_s, line.levels, int(line.levels[0]) ^ 1)
        teeth = TrueTeeth(t[leads], (which[leads] + 1).astype(np.int32), turns[leads], shows[leads], way[leads] < 0)
        return line, teeth

    def _shaken(self, t: Floats, motion: Motion, rng: np.random.Generator) -> Floats:
        """Repeatability and settling as angles, turned into time at the speed of the moment, order kept."""
        late = rng.normal(0.0, self.jitter_deg, len(t)) if self.jitter_deg > 0.0 else np.zeros(len(t))
        first = min(2 * self.settling_teeth, len(t))
        if first:
            late[:first] += self.settling_deg * (1.0 - np.arange(first) / first)
        if not late.any():
            return t
        speed = np.maximum(np.abs(motion.speed_at(t)), 1.0)
        return np.asarray(np.maximum.accumulate(t + late / speed))


@dataclass(frozen=True, slots=True)
class Comparator:
    """Turns a coil's voltage into levels: high above `high_v`, low below `low_v`, else as it was.

    The defaults are the usual arming comparator: a tooth must first lift the voltage, and the level falls at
    the zero crossing that follows, at the tooth's centre, whatever the size of the signal.
    follows: share of the signal's own peak that the arming level rises to when that is more.
    """

    high_v: float = 0.05
    low_v: float = 0.0
    follows: float = 0.25


@dataclass(frozen=True, slots=True)
class Coil:
    """A variable-reluctance sensor behind a comparator.

    volts: peak at `at_rpm` and a 1 mm gap with a whole tooth; proportional to speed, and falling with the gap
        as exp(−2πg/p) for the tooth pitch p.
    reversed: the two wires are swapped.
    falls_to: the line's level after the timing edge.
    noise_v: standard deviation of white noise on the voltage.
    pole: width of the pole piece along the rim, in pitches; it averages the field over its face.
    """

    volts: float = 0.5
    at_rpm: float = 150.0
    gap_mm: float = 1.0
    reversed: bool = False
    falls_to: int = 0
    noise_v: float = 0.0
    pole: float = 1 / 3
    comparator: Comparator = field(default_factory=Comparator)
    per_pitch: int = 32
    """Samples of the voltage a pitch; edges are interpolated between them."""

    def slope(self, made: MadeWheel) -> Floats:
        """Volts per degree a second over one turn of the wheel, on an even grid that starts at angle 0.

        The rim's profile as a Fourier series, each order m weakened by exp(−m·g/R): the solution of Laplace's
        equation between rim and sensor, which for the tooth order is the exp(−2πg/p) of the trade.
        """
        wheel = made.wheel
        per_turn = self.per_pitch * max(wheel.slots, int(np.ceil(wheel.turn_deg / wheel.steps_deg.min())))
        order = np.arange(1, per_turn // 2)
        shape = self._profile(made, order, made.heights, made.timing_deg, made.chips)
        plain = self._profile(made, order, np.ones(wheel.teeth), np.array(wheel.angles_deg), np.zeros_like(made.chips))
        grid = np.arange(per_turn) * wheel.turn_deg / per_turn
        far = np.exp(-2 * np.pi * made.air_gap_change_mm(grid) / made.pitch_mm)
        wave, whole = (self._wave(made, order, s, g, per_turn) for s, g in ((shape, self.gap_mm), (plain, 1.0)))
        peaks = whole[(whole > np.roll(whole, 1)) & (whole >= np.roll(whole, -1)) & (whole > 0.3 * whole.max())]
        sign = -1.0 if self.reversed else 1.0
        return np.asarray(sign * wave * far * self.volts / (float(np.median(peaks)) * self.at_rpm * RPM))

    @staticmethod
    def _profile(
        made: MadeWheel, order: Ints, height: Floats, timing_deg: Floats, chips: Floats
    ) -> NDArray[np.complex128]:
        scale = 2 * np.pi / made.turn_deg
        lead = (timing_deg - made.widths / 2 + chips[:, 0]) * scale
        trail = (timing_deg + made.widths / 2 - chips[:, 1]) * scale
        terms = np.exp(-1j * np.outer(order, lead)) - np.exp(-1j * np.outer(order, trail))
        return np.asarray((terms @ height) / (2j * np.pi * order))

    def _wave(
        self, made: MadeWheel, order: Ints, shape: NDArray[np.complex128], gap_mm: float, per_turn: int
    ) -> Floats:
        far = np.exp(-order * gap_mm / made.radius_mm) * np.sinc(order * self.pole / made.wheel.slots)
        bins = np.zeros(per_turn // 2 + 1, np.complex128)
        bins[1 : len(order) + 1] = shape * 1j * order * far
        return np.asarray(np.fft.irfft(bins, per_turn))

    def timing_deg(self, made: MadeWheel) -> Floats:
        """Where the voltage falls through zero nearest each tooth's centre; else the tooth's own angle.

        Neighbours of a gap stand a little off their own centre, because the gap bends the field.
        """
        wave = self.slope(made) * (-1.0 if self.reversed else 1.0)
        step = made.turn_deg / len(wave)
        nxt = np.roll(wave, -1)
        at = np.flatnonzero((wave > 0) & (nxt <= 0))
        falls = (at + wave[at] / (wave[at] - nxt[at])) * step
        if len(falls) == 0:
            return made.timing_deg
        off = (falls[None, :] - made.timing_deg[:, None] + made.turn_deg / 2) % made.turn_deg - made.turn_deg / 2
        best = off[np.arange(len(off)), np.abs(off).argmin(axis=1)]
        return np.asarray(made.timing_deg + np.where(np.abs(best) < made.wheel.pitch_deg / 3, best, 0.0))

    def sense(self, made: MadeWheel, motion: Motion, rng: np.random.Generator) -> tuple[Line, TrueTeeth]:
        slope, timing = self.slope(made), self.timing_deg(made)
        half = float(np.quantile(np.abs(slope), 0.98))
        t_parts, level_parts, teeth = [], [], []
        state = 0
        for spin in motion.spins:
            t, levels, state = self._compared(made, motion, spin, slope, half, state, rng)
            t_parts.append(t)
            level_parts.append(levels)
            teeth.append((*passings(made, motion, spin, timing), spin.direction))
        t = np.maximum.accumulate(np.concatenate(t_parts)) if t_parts else np.empty(0)
        levels = np.concatenate(level_parts) if level_parts else np.empty(0, np.uint8)
        if self.falls_to:
            levels = levels ^ np.uint8(1)
        first = int(levels[0]) ^ 1 if len(levels) else self.falls_to
        line = Line(t, levels, first)
        return line, self._teeth(made, motion, line, teeth)

    def _compared(
        self,
        made: MadeWheel,
        motion: Motion,
        spin: Spin,
        slope: Floats,
        half: float,
        state: int,
        rng: np.random.Generator,
    ) -> tuple[Floats, NDArray[np.uint8], int]:
        step = made.turn_deg / len(slope)
        ends = float(motion.angle_deg[spin.first]), float(motion.angle_deg[spin.last])
        grid = np.arange(int(np.ceil(min(ends) / step)), int(np.floor(max(ends) / step)) + 1)
        if spin.direction < 0:
            grid = grid[::-1]
        if len(grid) < 2:
            return np.empty(0), np.empty(0, np.uint8), state
        at_deg = grid.astype(np.float64) * step
        speed = motion.speeds_in(spin, at_deg)
        shape = slope[grid % len(slope)]
        if made.moved:
            moved = made.shift_deg(motion.times_in(spin, at_deg))
            shape = np.interp(
                (at_deg - moved) % made.turn_deg,
                np.arange(len(slope) + 1) * step,
                np.append(slope, slope[0]),
            )
        volts = shape * speed
        if self.noise_v > 0.0:
            volts = volts + rng.normal(0.0, self.noise_v, len(volts))
        arm = np.maximum(self.comparator.high_v, self.comparator.follows * half * np.abs(speed))
        says = np.where(volts > arm, 1, np.where(volts < self.comparator.low_v, 0, -1)).astype(np.int8)
        told = np.maximum.accumulate(np.where(says >= 0, np.arange(len(says)), -1))
        level = np.where(told >= 0, says[np.maximum(told, 0)], state).astype(np.uint8)
        at = np.flatnonzero(np.diff(level, prepend=np.uint8(state)) != 0)
        at = at[at > 0]
        wanted = np.where(level[at] == 1, arm[at], self.comparator.low_v)
        rise = volts[at] - volts[at - 1]
        share = np.clip((wanted - volts[at - 1]) / np.where(rise == 0.0, 1.0, rise), 0.0, 1.0)
        angles = (grid[at - 1] + share * spin.direction) * step
        return motion.times_in(spin, angles), level[at], int(level[-1])

    def _teeth(
        self, made: MadeWheel, motion: Motion, line: Line, parts: list[tuple[Floats, Ints, Ints, int]]
    ) -> TrueTeeth:
        t = np.concatenate([p[0] for p in parts]) if parts else np.empty(0)
        index = np.concatenate([p[1] for p in parts]) if parts else np.empty(0, int)
        turn = np.concatenate([p[2] for p in parts]) if parts else np.empty(0, int)
        back = np.concatenate([np.full(len(p[0]), p[3] < 0) for p in parts]) if parts else np.empty(0, bool)
        edges = line.t_s[line.levels == self.falls_to]
        near = np.searchsorted(edges, t)
        padded = np.concatenate(([-np.inf], edges, [np.inf]))
        off = np.minimum(np.abs(padded[near] - t), np.abs(padded[near + 1] - t))
        speed = np.abs(motion.speed_at(t))
        seen = off * speed < made.wheel.pitch_deg / 3
        return TrueTeeth(t, (index + 1).astype(np.int32), turn, seen, back)

    def volts_at(self, made: MadeWheel, motion: Motion, t_s: Floats, rng: np.random.Generator) -> Floats:
        """The coil's voltage at each time."""
        slope = self.slope(made)
        angle = (motion.angle_at(t_s) - made.shift_deg(t_s)) % made.turn_deg
        shape = np.interp(angle, np.arange(len(slope) + 1) * made.turn_deg / len(slope), np.append(slope, slope[0]))
        noise = rng.normal(0.0, self.noise_v, len(t_s)) if self.noise_v > 0.0 else 0.0
        return np.asarray(shape * motion.speed_at(t_s) + noise)
