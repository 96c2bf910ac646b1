"""Made signals for the tracker's tests: a shaft that turns as written down, a switching sensor, faults at known places.

Kinematic and small: no engine, no coil, no recorder. The truth comes with the arrays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from toothwise.edges.signal import Clock, Edges
from toothwise.records import Event
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker
from toothwise.wheel.pattern import Wheel

FINE = Clock(16.0)
MICRO = Clock(1000.0)

Said = tuple[str, int | None, int | None, int]
"""Kind, revolution, tooth and count of an event."""


class Shaft:
    """Angle over time, in degrees of the wheel's own shaft and seconds; put together piece by piece.

    start_deg: where the shaft stands at time 0; tooth 1 passes at multiples of 360.
    """

    def __init__(self, start_deg: float = -100.0) -> None:
        self.angle_deg = np.array([start_deg])
        self.time_s = np.array([0.0])

    def _add(self, angle: NDArray[np.float64], time: NDArray[np.float64]) -> Self:
        self.angle_deg = np.concatenate([self.angle_deg, self.angle_deg[-1] + angle[1:]])
        self.time_s = np.concatenate([self.time_s, self.time_s[-1] + time[1:]])
        return self

    def turn(self, rpm: float, turns: float, swing: float = 0.0, order: float = 2.0, phase: float = 0.0) -> Self:
        """So many turns; the speed swings by a share of itself, `order` times a turn."""
        angle = np.linspace(0.0, 360.0 * turns, max(int(1440 * turns), 2))
        speed = 6.0 * rpm * (1.0 + swing * np.sin(order * np.radians(angle) + phase))
        slow = 0.5 / speed
        time = np.concatenate([[0.0], np.cumsum((slow[1:] + slow[:-1]) * np.diff(angle))])
        return self._add(angle, time)

    def ramp(self, from_rpm: float, to_rpm: float, seconds: float) -> Self:
        """Steady acceleration; either speed may be 0."""
        time = seconds * np.linspace(0.0, 1.0, 20_001)
        angle = 6.0 * (from_rpm * time + 0.5 * (to_rpm - from_rpm) * time * time / seconds)
        return self._add(angle, time)

    def rest(self, seconds: float) -> Self:
        """Nothing moves (but by a hair, so that every angle has one time)."""
        return self._add(np.array([0.0, 1e-9]), np.array([0.0, seconds]))

    def at(self, angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.interp(angle_deg, self.angle_deg, self.time_s)

    @property
    def end_s(self) -> float:
        return float(self.time_s[-1])


@dataclass(frozen=True, eq=False, repr=False)
class Signal:
    """What a switching sensor makes of a wheel, and the truth.

    place: of each tooth that passed, counted from the first tooth 1 (0); negative before it.
    lead_s, trail_s: when each began and ended. first_s, end_s: what the recording covers.
    there: which of the teeth' edges the line still has. pulses: level changes that no tooth made, by pairs.
    faults: what a tracker ought to say.
    """

    wheel: Wheel
    place: NDArray[np.int64]
    lead_s: NDArray[np.float64]
    trail_s: NDArray[np.float64]
    end_s: float
    lead_there: NDArray[np.bool_]
    trail_there: NDArray[np.bool_]
    pulses: tuple[tuple[float, float], ...] = ()
    faults: tuple[Said, ...] = ()

    def __repr__(self) -> str:
        rpm = 60.0 / self.wheel.teeth / float(np.median(np.diff(self.lead_s)))
        return f"<{self.wheel.name}, tooth {self.place[1]} at {self.lead_s[1]:.6f} s, {rpm:.0f} rpm, {self.faults}>"

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:
        printer.text(repr(self))  # hypothesis would print every array

    def edges(self, clock: Clock = MICRO, active: int = 1, shift: int = 0) -> Edges:
        """Level changes; `active` is the level over a tooth, `shift` ticks are added to all."""
        times = [self.lead_s[self.lead_there], self.trail_s[self.trail_there]]
        levels = [np.full(len(times[0]), 1), np.full(len(times[1]), 0)]
        turned = []
        for pulse in self.pulses:
            over = bool(np.any((self.lead_s < pulse[0]) & (self.trail_s > pulse[0]) & self.lead_there))
            times.append(np.array(pulse))
            levels.append(np.array([0, 1] if over else [1, 0]))
            turned.append(over)
        t, level = np.concatenate(times), np.concatenate(levels)
        keep = (t > 0.0) & (t < self.end_s)
        t, level = t[keep], level[keep]
        order = np.argsort(t, kind="stable")
        ticks = np.rint(t[order] / (clock.tick_ns * 1e-9)).astype(np.int64) + shift
        seen = level[order] if active else 1 - level[order]
        return Edges(ticks, seen.astype(np.uint8))

    def until(self, clock: Clock = MICRO) -> int:
        return clock.ticks(self.end_s)

    def index(self, revolution: int, tooth: int) -> int:
        """Of a tooth, among those that passed."""
        return int(np.searchsorted(self.place, revolution * self.wheel.teeth + tooth - 1))

    def without(self, revolution: int, tooth: int, count: int = 1, held: bool = False) -> Signal:
        """Teeth gone; `held`: the line rests at the teeth' own level instead (the tooth before never ends)."""
        i = self.index(revolution, tooth)
        lead, trail = self.lead_there.copy(), self.trail_there.copy()
        lead[i : i + count] = False
        if held:
            trail[i - 1 : i + count - 1] = False
        else:
            trail[i : i + count] = False
        said: Said = ("missing", revolution, tooth, count)
        return replace(self, lead_there=lead, trail_there=trail, faults=(*self.faults, said))

    def with_pulses(self, revolution: int, tooth: int, where: float, many: int = 1, width: float = 0.03) -> Signal:
        """Pulses from the share `where` of the step behind a tooth on; each `width` of the step, and as far apart."""
        i = self.index(revolution, tooth)
        step = self.lead_s[i + 1] - self.lead_s[i]
        begin = self.lead_s[i] + step * (where + 2 * width * np.arange(many))
        new = tuple((float(b), float(b + width * step)) for b in begin)
        said: Said = ("extra", revolution, tooth, 2 * many)
        return replace(self, pulses=(*self.pulses, *new), faults=(*self.faults, said))

    def seen(self, clock: Clock = MICRO, shift: int = 0) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(ticks, places) of the teeth that begin within the recording and that the line still shows."""
        inside = self.lead_there & (self.lead_s > 0.0) & (self.lead_s < self.end_s)
        ticks = np.rint(self.lead_s[inside] / (clock.tick_ns * 1e-9)).astype(np.int64) + shift
        return ticks, self.place[inside]


def signal(
    wheel: Wheel, shaft: Shaft, duty: float = 0.4, error_deg: NDArray[np.float64] | float = 0.0, end_s: float = 0.0
) -> Signal:
    """The healthy signal of a wheel on a shaft.

    duty: a tooth's share of the wheel's smallest step, where the pattern doesn't tell widths. error_deg: of each
    tooth's place, shape (teeth,). end_s: time the recording goes on after the shaft's last piece.
    """
    n = wheel.teeth
    scale = 360.0 / wheel.turn_deg
    first, last = int(shaft.angle_deg[0] // 360.0), int(shaft.angle_deg[-1] // 360.0)
    angle = np.array(wheel.angles_deg) * scale + error_deg
    width = np.full(n, duty * float(wheel.steps_deg.min()) * scale)
    if wheel.widths_deg is not None:
        width = np.array(wheel.widths_deg) * scale
    elif n == 1:
        width[:] = duty * 360.0
    turns = np.arange(first, last + 1)
    at = (turns[:, None] * 360.0 + angle).ravel()
    place = np.arange(first * n, (last + 1) * n)
    over = at + np.tile(width, len(turns))
    keep = (over > shaft.angle_deg[0]) & (at < shaft.angle_deg[-1])
    at, over, place = at[keep], over[keep], place[keep]
    # The first tooth 1 that begins within the recording starts revolution 0; where nothing marks it, the first tooth.
    begun = place[at > shaft.angle_deg[0]]
    ones = begun if wheel.symmetry == 1 else begun[begun % n == 0]
    if len(ones):
        place = place - ones[0]
    lead = np.where(at > shaft.angle_deg[0], shaft.at(at), -1.0)
    trail = np.where(over < shaft.angle_deg[-1], shaft.at(over), np.inf)
    there = np.ones(len(at), bool)
    return Signal(wheel, place, lead, trail, shaft.end_s + end_s, there, there.copy())


# feeding a tracker


def track(edges: Edges, wheel: Wheel, clock: Clock = MICRO, until: int | None = None, level: int | None = None,
          cuts: Sequence[int] = ()) -> Teeth:  # fmt: skip
    """All that the tracker says, the edges fed in pieces cut before the edges numbered in `cuts`."""
    tracker = Tracker(wheel, clock, timing_level=level)
    end = until if until is not None else (int(edges.ticks[-1]) if len(edges) else 0)
    parts = []
    bounds = [0, *sorted(cuts), len(edges)]
    for a, b in pairwise(bounds):
        upto = int(edges.ticks[b]) if b < len(edges) else end
        parts.append(tracker.feed(Edges(edges.ticks[a:b], edges.levels[a:b]), upto))
    parts.append(tracker.finish(end))
    return joined(parts)


def joined(parts: Sequence[Teeth]) -> Teeth:
    """Pieces of an answer as one."""
    names = ("ticks", "back_ticks", "tooth", "revolution", "turning")
    columns = (np.concatenate([getattr(p, name) for p in parts]) for name in names)
    return Teeth(*columns, events=tuple(e for p in parts for e in p.events))


def said(events: Sequence[Event]) -> list[Said]:
    return [(e.kind, e.revolution, e.tooth, e.count) for e in events]


def places(teeth: Teeth, wheel: Wheel) -> NDArray[np.int64]:
    """Each tooth's place, counted from the first tooth 1; meaningless before it but for the tooth."""
    return teeth.revolution * wheel.teeth + teeth.tooth - 1


def same(one: Teeth, other: Teeth) -> None:
    """Two answers are equal in everything."""
    for name in ("ticks", "back_ticks", "tooth", "revolution", "turning"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), name)
    assert one.events == other.events


def as_made(teeth: Teeth, made: Signal, clock: Clock = MICRO, shift: int = 0) -> None:
    """Every tooth that the line shows was handed on, under its own number."""
    ticks, place = made.seen(clock, shift)
    np.testing.assert_array_equal(teeth.ticks, ticks)
    np.testing.assert_array_equal(teeth.tooth - 1, place % made.wheel.teeth)
    np.testing.assert_array_equal(teeth.revolution, np.maximum(place // made.wheel.teeth, -1))
