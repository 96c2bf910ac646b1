"""From decided teeth to what the tracker hands on: arrays of teeth, and an event for each thing that is wrong.

A tooth is handed on once the next one is decided, for only then is it known what lay between the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Clock, Edges
from toothwise.records import Event
from toothwise.track import motion
from toothwise.track.geometry import Geometry
from toothwise.track.node import Node
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

TURNING, TURNING_FEW = 5, 3
"""Intervals in a row without a fault that show a turning wheel, where nothing better does; the second number for
wheels with fewer than eight teeth, and never more than one tooth more than a turn has."""

ROCKING_RPM = 500.0
"""A wheel that rocks to its rest is slower than this."""

CLUSTER_S = 0.05
"""Level changes with nothing turning that are this close together are one contact event."""


@dataclass(slots=True)
class _Stretch:
    """One unbroken rotation. offset: what to add to its counts to number teeth through the recording."""

    first_edge: int
    proven: bool = False
    offset: int = 0
    ticks_per_deg: float = 0.0  # latest


@dataclass(slots=True)
class _Pause:
    """What is known of the end of the stretch before."""

    tick: int
    count: int
    ticks_per_deg: float
    level: int


class Emitter:
    """Collects decisions in order of time; `drain` hands on what is complete."""

    def __init__(
        self, wheel: Wheel, geometry: Geometry, clock: Clock, channel: str, blind: Sequence[tuple[int, int]]
    ) -> None:
        self._wheel = wheel
        self._geometry = geometry
        self._tick_s = clock.tick_ns * 1e-9
        self._channel = channel
        self._blind = blind
        self._level = 1
        self._all = Edges.none()  # level changes from the last decided tooth on
        self._where: NDArray[np.int64] = np.empty(0, np.int64)  # of timing edges among them
        self._first = 0  # number of the first timing edge in `_where`
        self._stretch: _Stretch | None = None
        self._last: tuple[int, int, int] | None = None  # edge, count (with offset), tick of the last decided tooth
        self._pause: _Pause | None = None
        self._lead: int | None = None  # tick of a level change that begins the cluster of the next timing edge
        self._first_turn: int | None = None  # turn that is revolution 0
        self._turning = 0
        self._parts: list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], int]] = []
        self._events: list[Event] = []

    # what the tracker tells

    def add(self, edges: Edges, timing_level: int) -> NDArray[np.int64]:
        """More level changes, and which level marks a tooth. Returns the ticks of those that do."""
        self._level = timing_level
        base = len(self._all)
        self._all = Edges.join([self._all, edges]) if base else edges
        marks = np.flatnonzero(edges.levels == timing_level)  # a mask that alternates would take longer
        where = marks + base
        self._where = np.concatenate([self._where, where]) if len(self._where) else where
        return edges.ticks[marks]

    def lasted(self, edge: int) -> int:
        """Ticks from an undecided timing edge to the opposite one after it; -1 where another timing one is first."""
        at = edge - self._first
        if not 0 <= at < len(self._where):
            return -1
        at = int(self._where[at])
        if at + 1 == len(self._all) or self._all.levels[at + 1] == self._level:
            return -1
        return int(self._all.ticks[at + 1] - self._all.ticks[at])

    def begin(self, edge: int) -> None:
        """A stretch begins at this timing edge, as far as one can tell so far."""
        self._stretch = _Stretch(edge)

    def renumber(self, teeth: int) -> None:
        """The latest tooth was so many teeth further on than its number said."""
        assert self._last is not None
        edge, count, tick = self._last
        self._last = (edge, count + teeth, tick)

    def looks_turning(self, nodes: Sequence[Node], next_edge: int) -> bool:
        """Whether an explanation of the stretch so far shows a wheel at all, not only a line that chattered."""
        stretch = self._stretch
        assert stretch is not None
        if stretch.proven:
            return True
        wanted = TURNING if self._geometry.teeth >= 8 else min(TURNING_FEW, self._geometry.teeth + 1)
        if self._may_rock(nodes[0].tick):
            wanted = max(wanted, self._geometry.teeth)
        if len(nodes) <= wanted or 2 * len(nodes) < next_edge - stretch.first_edge:
            return False
        return max(n.clean for n in nodes) >= wanted

    def _may_rock(self, tick: int) -> bool:
        """Whether the wheel came to rest so shortly before that it may be turning back and forth still."""
        pause = self._pause
        if pause is None or tick - pause.tick >= motion.ROCKING_S / self._tick_s:
            return False
        return not self._too_fast_to_stop(pause)

    def end(self, next_edge: int) -> None:
        """The stretch is over; timing edges up to `next_edge` belong to it."""
        stretch = self._stretch
        self._stretch = None
        if stretch is None:
            return
        if not stretch.proven:
            self._contact(stretch.first_edge, next_edge)
            return
        assert self._last is not None
        edge, count, tick = self._last
        at = int(self._where[edge - self._first])
        self._parts.append((np.array([tick]), self._backs(np.array([edge])), np.array([count]), self._turning))
        self._pause = _Pause(tick, count, stretch.ticks_per_deg, self._level_after(at, next_edge))
        self._last = None
        self._forget(next_edge)

    def finish(self, until_tick: int) -> None:
        """No more edges: what became of the line since the last tooth."""
        pause = self._pause
        if pause is None or until_tick - pause.tick <= 360.0 * pause.ticks_per_deg:
            return
        if self._is_hidden(pause.tick, until_tick):
            return
        fast = self._too_fast_to_stop(pause)
        more: dict[str, object] = {"proof": fast} if fast else {}
        self._events.append(self._still("silent" if fast else "stopped", pause, until_tick, 1, more))

    def oldest_tick(self, otherwise: int) -> int:
        """No blind stretch that ends before this can matter any more."""
        if self._last is not None:
            return self._last[2]
        if self._pause is not None:
            return self._pause.tick
        return int(self._all.ticks[0]) if len(self._all) else otherwise

    def drain(self) -> Teeth:
        """All that is complete, and forget it."""
        parts, self._parts = self._parts, []
        events, self._events = self._events, []
        n = self._geometry.teeth
        none = np.empty(0, np.int64)
        ticks = np.concatenate([p[0] for p in parts]) if parts else none
        backs = np.concatenate([p[1] for p in parts]) if parts else none
        counts = np.concatenate([p[2] for p in parts]) if parts else none
        turning = np.concatenate([np.full(len(p[0]), p[3], np.int32) for p in parts]) if parts else none
        turns = counts // n
        tooth = counts - turns * n  # half the price of numpy's divmod
        return Teeth(
            ticks,
            backs,
            (tooth + 1).astype(np.int32),
            np.maximum(turns - (self._first_turn or 0), -1),
            turning.astype(np.int32),
            tuple(sorted(events, key=_tick)),
        )

    # decisions

    def decide(self, edges: NDArray[np.int64], counts: NDArray[np.int64], ticks: NDArray[np.int64]) -> None:
        """More teeth of the stretch: the number of each timing edge, its count, its tick. The first may be known."""
        stretch = self._stretch
        assert stretch is not None
        if not stretch.proven:
            self._prove(stretch, edges, counts, ticks)
        counts = counts + stretch.offset
        if self._last is not None:
            if edges[0] == self._last[0]:
                edges, counts, ticks = edges[1:], counts[1:], ticks[1:]
            edges = np.concatenate([[self._last[0]], edges])
            counts = np.concatenate([[self._last[1]], counts])
            ticks = np.concatenate([[self._last[2]], ticks])
        if len(edges) > 1:
            whole = edges[:-1]
            self._parts.append((ticks[:-1], self._backs(whole), counts[:-1], self._turning))
            odd = np.flatnonzero((np.diff(counts) > 1) | (np.diff(edges) > 1))
            for i in odd.tolist():
                self._between(edges[i : i + 2].tolist(), counts[i : i + 2].tolist(), ticks[i : i + 2].tolist())
            degrees = self._geometry.span(int(counts[-2]), int(counts[-1] - counts[-2]))
            stretch.ticks_per_deg = float(ticks[-1] - ticks[-2]) / degrees
        self._last = (int(edges[-1]), int(counts[-1]), int(ticks[-1]))
        self._forget(self._last[0])

    def _prove(
        self, stretch: _Stretch, edges: NDArray[np.int64], counts: NDArray[np.int64], ticks: NDArray[np.int64]
    ) -> None:
        """The first teeth of a stretch: number them on from the one before, and say what happened between."""
        stretch.proven = True
        n = self._geometry.teeth
        if edges[0] > stretch.first_edge:
            self._contact(stretch.first_edge, int(edges[0]))
        pause, self._pause, self._lead = self._pause, None, None
        self._turning += 1
        # Where teeth look alike, the first one recorded is tooth 1.
        alike = int(counts[0]) // self._geometry.symmetry * self._geometry.symmetry
        if pause is None:
            stretch.offset = -alike
            if self._first_turn is None:
                self._first_turn = 0 if (counts[0] - alike) % n == 0 else 1
            return
        next_turn = (pause.count // n + 1) * n
        stretch.offset = next_turn - alike
        tick = int(ticks[0])
        if self._is_hidden(pause.tick, tick):
            return
        degrees = self._geometry.span(int(counts[0]), int(counts[1] - counts[0])) if len(counts) > 1 else 0.0
        after = float(ticks[1] - ticks[0]) / degrees if degrees else pause.ticks_per_deg
        stopping, starting = self._too_fast_to_stop(pause), self._too_fast_to_start(after)
        if not (stopping or starting):
            self._events.append(self._still("stopped", pause, tick, 1, {}))
            return
        if not (stopping and starting):
            proof = stopping or starting
            self._events.append(self._still("silent", pause, tick, 1, {"proof": proof, "at_least": True}))
            return
        # Turning at both ends: count on through the silence, to the turn nearest to the mean speed.
        turned = (tick - pause.tick) / np.sqrt(pause.ticks_per_deg * after)
        wanted = self._angle(pause.count) + turned
        base = self._angle(int(counts[0]) - alike)
        turns = max(round((wanted - base) / 360.0), 0)
        while base + 360.0 * turns <= self._angle(pause.count):
            turns += 1
        stretch.offset = turns * n - alike
        lost = int(counts[0]) + stretch.offset - pause.count - 1
        self._turning -= 1
        self._events.append(self._missing(pause.count, lost, pause.tick, tick, pause.level))
        self._events.append(self._still("silent", pause, tick, lost, {"proof": f"{stopping}; {starting}"}))

    def _too_fast_to_stop(self, pause: _Pause) -> str:
        """Why the wheel can't have come to rest before the next tooth was due; empty where it can."""
        step = self._geometry.span(pause.count, 1)
        fast = motion.reach_deg(pause.ticks_per_deg * self._tick_s) > step
        return f"the signal ended at {self._rpm(pause.ticks_per_deg):.0f} rpm" if fast else ""

    def _too_fast_to_start(self, ticks_per_deg: float) -> str:
        fast = motion.reach_deg(ticks_per_deg * self._tick_s) > self._geometry.largest_deg
        return f"it came back at {self._rpm(ticks_per_deg):.0f} rpm" if fast else ""

    def _rpm(self, ticks_per_deg: float) -> float:
        return 1.0 / (6.0 * ticks_per_deg * self._tick_s)

    # events

    def _between(self, edges: list[int], counts: list[int], ticks: list[int]) -> None:
        lost = counts[1] - counts[0] - 1
        if lost and not self._is_hidden(*ticks):
            held = self._held_level(edges, ticks, counts)
            self._events.append(self._missing(counts[0], lost, ticks[0], ticks[1], held))
        if edges[1] - edges[0] > 1:
            self._extra(edges, counts, ticks)

    def _missing(self, count: int, lost: int, tick: int, end: int, level: int | None) -> Event:
        first = count + 1
        degrees = self._geometry.span(count, 1)
        whole = self._angle(count + lost + 1) - self._angle(count)
        due = tick + round((end - tick) * degrees / whole)
        return self._event("missing", due, end, first, self._angle_of(first), lost, level)

    def _extra(self, edges: list[int], counts: list[int], ticks: list[int]) -> None:
        a, b = (int(self._where[e - self._first]) for e in edges)
        inner = self._all.ticks[a + 1 : b]
        levels = self._all.levels[a + 1 : b]
        both = bool(np.any(levels != self._level))
        begin, end = int(inner[0]), int(inner[-1])
        if both and levels[0] != self._level and len(inner) > 2:
            # The tooth's own trailing edge is among them: the first, unless the pulse was split early.
            split = inner[1] - inner[0] < inner[2] - inner[1]
            begin, end = (int(inner[0]), int(inner[-2])) if split else (int(inner[1]), int(inner[-1]))
        turned = (begin - ticks[0]) / max(ticks[1] - ticks[0], 1)
        angle = self._angle(counts[0]) + turned * (self._angle(counts[1]) - self._angle(counts[0]))
        count = counts[0]
        while count + 1 < counts[1] and self._angle(count + 1) <= angle:
            count += 1
        scale = self._wheel.turn_deg / 360.0
        degrees = (angle % 360.0) * scale
        self._events.append(self._event("extra", begin, end, count, degrees, len(inner) - int(both), None))

    def _still(self, kind: str, pause: _Pause, end: int, count: int, more: dict[str, object]) -> Event:
        first = pause.count + 1
        due = pause.tick + round(self._geometry.span(pause.count, 1) * pause.ticks_per_deg)
        due = min(due, end)
        return self._event(kind, due, end, first, self._angle_of(first), count, pause.level, more)

    def _contact(self, first_edge: int, next_edge: int) -> None:
        """Level changes with nothing turning, gathered into clusters; not those of a wheel that rocks to its rest."""
        first_edge = self._after_rocking(first_edge, next_edge)
        if first_edge == next_edge:
            return
        start = int(self._where[first_edge - self._first])
        stop = next_edge - self._first
        end = int(self._where[stop]) if stop < len(self._where) else len(self._all)
        near = CLUSTER_S / self._tick_s
        if start and self._all.ticks[start] - self._all.ticks[start - 1] < near:
            start -= 1 if self._pause is None and self._last is None else 0
        ticks = self._all.ticks[start:end]
        if self._lead is not None:
            ticks, self._lead = np.concatenate([[self._lead], ticks]), None
        if end < len(self._all) and len(ticks) > 1 and self._all.ticks[end] - ticks[-1] < near < ticks[-1] - ticks[-2]:
            ticks, self._lead = ticks[:-1], int(ticks[-1])  # begins the next cluster
        if not len(ticks):
            return
        cuts = np.flatnonzero(np.diff(ticks) > near) + 1
        for part in np.split(ticks, cuts):
            self._events.append(
                Event("contact", self._channel, int(part[0]), int(part[-1]), count=len(part), level=None)
            )
        self._forget(next_edge)

    def _after_rocking(self, first_edge: int, next_edge: int) -> int:
        """The first of these timing edges that is no rocking wheel's; the pause is longer by the others."""
        pause = self._pause
        ticks = self._all.ticks[self._where[first_edge - self._first : next_edge - self._first]]
        if pause is None or not len(ticks) or not self._may_rock(int(ticks[0])):
            return first_edge
        spans = np.diff(ticks, prepend=pause.tick) * self._tick_s
        other = (spans >= motion.ROCKING_S) | (spans < self._geometry.smallest_deg / (6.0 * ROCKING_RPM))
        many = int(other.argmax()) if other.any() else len(spans)
        if many:
            pause.tick = int(ticks[many - 1])
            self._forget(first_edge + many)
        return first_edge + many

    def _event(
        self,
        kind: str,
        tick: int,
        end: int,
        count: int,
        angle: float,
        number: int,
        level: int | None,
        more: dict[str, object] | None = None,
    ) -> Event:
        turn, tooth = divmod(count, self._geometry.teeth)
        revolution = turn - (self._first_turn or 0)
        return Event(
            kind,
            self._channel,
            tick,
            end,
            revolution if revolution >= 0 else None,
            tooth + 1,
            angle,
            number,
            level,
            more or {},
        )

    # small things

    def _angle(self, count: int) -> float:
        """Of a tooth, counted on through the turns, in degrees of its own shaft."""
        turn, tooth = divmod(count, self._geometry.teeth)
        return 360.0 * turn + self._geometry.angle[tooth]

    def _angle_of(self, count: int) -> float:
        return self._wheel.angles_deg[count % self._geometry.teeth]

    def _is_hidden(self, start: int, end: int) -> bool:
        return any(b < end and e > start for b, e in self._blind)

    def _held_level(self, edges: list[int], ticks: list[int], counts: list[int]) -> int:
        """The level the line had for most of the time about which the missing teeth were due."""
        a, b = (int(self._where[e - self._first]) for e in edges)
        last = counts[1] - 1
        start, whole = self._angle(counts[0]), self._angle(counts[1]) - self._angle(counts[0])
        around = 0.25 * min(self._geometry.span(counts[0], 1), self._geometry.span(last, 1))
        scale = (ticks[1] - ticks[0]) / whole
        begin = ticks[0] + scale * (self._angle(counts[0] + 1) - around - start)
        end = ticks[0] + scale * (self._angle(last) + around - start)
        times = [*self._all.ticks[a:b].tolist(), ticks[1]]
        high = 0.0
        for level, (since, until) in zip(self._all.levels[a:b].tolist(), pairwise(times), strict=True):
            if level:
                high += max(min(until, end) - max(since, begin), 0.0)
        return int(2.0 * high > end - begin)

    def _level_after(self, at: int, next_edge: int) -> int:
        """The level the line held longest from one level change to the next timing edge."""
        stop = next_edge - self._first
        if stop >= len(self._where):
            return int(self._all.levels[-1])  # and so it has been ever since
        end = int(self._where[stop])
        return int(self._all.levels[at + int(np.argmax(np.diff(self._all.ticks[at : end + 1])))])

    def _backs(self, edges: NDArray[np.int64]) -> NDArray[np.int64]:
        """The level change after each timing edge, -1 where the next timing edge comes first."""
        after = self._where[edges - self._first] + 1
        inside = after < len(self._all)
        at = np.minimum(after, len(self._all) - 1)
        return np.where(inside & (self._all.levels[at] != self._level), self._all.ticks[at], -1)

    def _forget(self, edge: int) -> None:
        """Drop level changes before a timing edge."""
        drop = edge - self._first
        if drop <= 0:
            return
        cut = int(self._where[drop]) if drop < len(self._where) else len(self._all)
        self._all = Edges(self._all.ticks[cut:], self._all.levels[cut:])
        self._where = self._where[drop:] - cut
        self._first = edge


def _tick(event: Event) -> int:
    return event.tick
