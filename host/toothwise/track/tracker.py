"""Edges in, teeth and events out, however the stream is cut."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Blind, Clock, Edges
from toothwise.track import motion, timing
from toothwise.track.beam import HOPELESS, HOPELESS_AT_FIRST, Beam
from toothwise.track.emit import Emitter
from toothwise.track.geometry import FEW_TEETH, Geometry
from toothwise.track.node import Node, columns, path, without_slowing_down
from toothwise.track.numbering import FaultyTurns
from toothwise.track.profile import Profile
from toothwise.track.rehearsal import Rehearsal
from toothwise.track.shake import LOOK_BACK
from toothwise.track.steady import AFTER, BLOCK, GUARD, Steady
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

CLEAN, CLEAN_MOST = 6, 48
"""Intervals without a fault after which the careful tracker hands back to the quick one; more, up to the second
number, each time that the quick one soon gave up."""

SETTLE_EVERY = 8
"""Edges after which it is worth looking for what all explanations share."""

NO_TEETH = (np.empty(0, np.int64), np.empty(0, np.int64))

SLICE = 1 << 17
"""Level changes taken in at once, so that a recording of any length needs the same memory."""


class Tracker:
    """Follows one wheel on one channel.

    wheel: the pattern. clock: ticks to seconds. timing_level: which edge marks the tooth (None: found from the
    signal, see `timing`). `feed` takes edges as they come and returns what is decided; `finish` decides the rest.
    At most `undecided_teeth` teeth wait for a decision, and so many only after a fault that could be two things;
    on a clean signal it is `GUARD` + 1.
    """

    def __init__(self, wheel: Wheel, clock: Clock, *, channel: str = "crank", timing_level: int | None = None) -> None:
        self.wheel = wheel
        self.clock = clock
        self.channel = channel
        self.timing_level = timing_level
        self.undecided_teeth = 3 * wheel.teeth + 16
        self._geometry = Geometry(wheel)
        self._steady = Steady(self._geometry)
        self._tick_s = clock.tick_ns * 1e-9
        self._blind: list[tuple[int, int]] = []
        self._beam = Beam(self._geometry, self._tick_s, self._blind)
        self._emit = Emitter(wheel, self._geometry, clock, channel, self._blind)
        self._beam.width_of = self._emit.lasted
        self._chosen = False  # whether the first edges have been looked at
        self._held = Edges.none()  # level changes not yet needed no more
        self._times: NDArray[np.int64] = np.empty(0, np.int64)  # timing edges among them
        self._base = 0  # number of the first of `_times`, counted from the recording's start
        self._next = 0  # number of the next timing edge to take in
        self._lock: Node | None = None  # a tooth beyond doubt: the quick tracker goes on from it
        self._root: Node | None = None  # where the careful one began; None when idle
        self._block = 256
        self._clean = CLEAN  # intervals wanted now
        self._locked_at = 0  # timing edge from which the quick tracker went on last
        self._rehearsal = Rehearsal(self._geometry, self._beam)
        self._patient_until = -1  # timing edge from which hopeless explanations are dropped as usual
        self._faults = FaultyTurns(self._geometry)
        self._strays = 1  # edges to leave out should no wheel be found in what waits
        self._tail = NO_TEETH  # counts and ticks of the last few decided teeth of the stretch

    def feed(self, edges: Edges, until_tick: int, blind: Sequence[Blind] = ()) -> Teeth:
        """Take in edges (all later than those before) and return the teeth and events now decided.

        until_tick: the line is known up to here. blind: stretches that became known; edges inside are not used.
        """
        self._blind += [(b.start_tick, b.end_tick) for b in blind if b.channel in (None, self.channel)]
        for begin in range(0, len(edges), SLICE):
            part = Edges(edges.ticks[begin : begin + SLICE], edges.levels[begin : begin + SLICE])
            self._take(self._outside_blind(part))
        del self._blind[: self._spent_blind(until_tick)]
        return self._emit.drain()

    def finish(self, until_tick: int) -> Teeth:
        """Decide everything that is left: no more edges will come."""
        if not self._chosen and len(self._held):
            self._choose()
        self._advance(last=True)
        self._emit.finish(until_tick)
        return self._emit.drain()

    # the way in

    def _outside_blind(self, edges: Edges) -> Edges:
        keep = np.ones(len(edges), bool)
        for start, end in self._blind:
            low, high = np.searchsorted(edges.ticks, (start, end))
            keep[low:high] = False
        return edges if keep.all() else Edges(edges.ticks[keep], edges.levels[keep])

    def _spent_blind(self, until_tick: int) -> int:
        """How many of the oldest blind stretches no undecided interval can touch any more."""
        if not self._chosen:
            return 0
        oldest = min(self._emit.oldest_tick(until_tick), until_tick)
        spent = 0
        while spent < len(self._blind) and self._blind[spent][1] <= oldest:
            spent += 1
        return spent

    def _take(self, edges: Edges) -> None:
        if not self._chosen:
            self._held = Edges.join([self._held, edges])
            if len(self._held) < timing.edges_wanted(self.wheel):
                return
            self._choose()
        else:
            self._add(edges)
        self._advance(last=False)

    def _choose(self) -> None:
        wanted = timing.edges_wanted(self.wheel)
        first = Edges(self._held.ticks[:wanted], self._held.levels[:wanted])
        self._chosen = True
        if self.timing_level is None:
            self.timing_level = timing.timing_level(first, self.wheel, self._geometry, self._tick_s)
        self._beam.widths = timing.tooth_widths(first, self.timing_level, self.wheel, self._geometry)
        edges, self._held = self._held, Edges.none()
        self._add(edges)

    def _add(self, edges: Edges) -> None:
        assert self.timing_level is not None
        new = self._emit.add(edges, self.timing_level)
        self._times = np.concatenate([self._times, new]) if len(self._times) else new

    # the way through

    def _advance(self, last: bool) -> None:
        while True:
            if self._lock is not None:
                if not self._run_steady(last):
                    break
            elif not self._run_beam(last):
                break
        self._trim()

    def _trim(self) -> None:
        """Forget timing edges that no one will ask for again."""
        # The careful tracker hands over a few teeth back.
        keep = self._next - GUARD - 1 if self._lock is None else self._lock.edge
        if self._lock is None and self._root is not None:
            keep = min(keep, self._root.edge)  # if the wheel turns out to have come to rest, it begins anew there
        drop = keep - self._base
        if drop > 0:
            self._times = self._times[drop:]
            self._base = keep

    def _run_steady(self, last: bool) -> bool:
        """Go on from the lock. False when more edges are needed."""
        lock = self._lock
        assert lock is not None
        first = lock.edge - self._base
        ahead = self._times[first : first + self._block + 1]
        if self._blind:
            ahead = ahead[: self._clear_until(ahead)]
        whole = first + len(ahead) == len(self._times)
        sure, doubt = self._steady.run(ahead, lock.count, lock.span_ticks / lock.span_deg)
        if not doubt and not whole and len(ahead) <= self._block:
            doubt = True  # a blind stretch comes next
        if doubt or (whole and not last):
            taken = max(sure - GUARD, 0)
        elif whole:
            taken = sure
        else:
            taken = sure - GUARD
        if taken:
            lock = self._move_lock(lock, ahead[: taken + 1])
        if doubt:
            return self._after_doubt(lock, sure - max(taken, 0), last)
        self._block = min(2 * self._block, BLOCK)
        if whole:
            if last:
                self._lock = None
                self._next = self._base + len(self._times)
                self._emit.end(self._next)
            return False
        return True

    def _move_lock(self, lock: Node, ticks: NDArray[np.int64]) -> Node:
        """Decide good teeth from the lock on; the last of them is the new one."""
        steps = np.arange(len(ticks), dtype=np.int64)
        self._emit.decide(lock.edge + steps, lock.count + steps, ticks)
        self._remember(lock.count + steps, ticks)
        taken = len(ticks) - 1
        self._faults.pass_over(lock.count, lock.count + taken)
        moved = Node(lock.edge + taken, int(ticks[taken]), lock.count + taken, 0.0, None)
        moved.before = moved.count - 1
        moved.depth = lock.depth + taken
        moved.span_ticks = int(ticks[taken] - ticks[taken - 1])
        moved.span_deg = self._geometry.span(moved.count - 1, 1)
        self._lock = moved
        return moved

    def _after_doubt(self, lock: Node, good: int, last: bool) -> bool:
        """Take a lone fault, `good` intervals behind the lock, or hand over to the careful tracker. False when more
        edges are needed to tell."""
        renumber = self._faults.due()
        if good == GUARD and self._steady.lone_is_told and not renumber:
            wanted = GUARD + 2 + AFTER
            first = lock.edge - self._base
            ahead = self._times[first : first + wanted + 1].tolist()
            clear = not any(start <= ahead[-1] and end > ahead[0] for start, end in self._blind)
            if len(ahead) <= wanted and clear and not last:
                return False
            if len(ahead) > wanted and clear and self._take_lone(lock, ahead):
                return True
        self._faults.asked(renumber)
        soon = lock.edge - self._locked_at < 2 * CLEAN
        self._clean = min(2 * self._clean, CLEAN_MOST) if soon else CLEAN
        self._block = 256
        self._lock = None
        self._beam.resume(lock, *self._tail, renumber=renumber)
        self._root = self._beam.live[0]
        self._next = lock.edge + 1
        return True

    def _take_lone(self, lock: Node, ahead: Sequence[int]) -> bool:
        """Decide the fault right behind the GUARD good intervals from the lock on, if there is no doubt about it."""
        count = lock.count + GUARD
        degrees = self._geometry.span(count - GUARD, GUARD)
        pace = (ahead[GUARD] - ahead[0]) / degrees
        found = self._steady.lone(ahead[GUARD:], count, pace)
        if found is None:
            return False
        lost, extra = found
        tick = ahead[GUARD + 1 + extra]
        node = Node(lock.edge + GUARD + 1 + extra, tick, count + 1 + lost, 0.0, None)
        node.before, node.depth = count, lock.depth + GUARD + 1
        node.span_ticks, node.span_deg = tick - ahead[GUARD], self._geometry.span(count, 1 + lost)
        steps = np.arange(GUARD + 2, dtype=np.int64)
        edges, counts = lock.edge + steps, lock.count + steps
        edges[-1], counts[-1] = node.edge, node.count
        self._decide(edges, counts, np.array([*ahead[: GUARD + 1], tick], np.int64))
        self._lock = node
        self._block = 256
        return True

    def _clear_until(self, ahead: NDArray[np.int64]) -> int:
        """How many edges come before the next blind stretch."""
        if not len(ahead):
            return 0
        starts = [start for start, end in self._blind if end > ahead[0]]
        return int(np.searchsorted(ahead, min(starts))) if starts else len(ahead)

    def _run_beam(self, last: bool) -> bool:
        """Weigh edge after edge until one explanation is left. False when more edges are needed."""
        beam = self._beam
        times = self._times
        while self._next - self._base < len(times):
            tick = int(times[self._next - self._base])
            if self._root is None:
                if not self._start(self._next, tick, last):
                    return False
                if self._lock is not None:
                    return True
                continue
            if self._next == self._patient_until:
                beam.hopeless = HOPELESS
            if beam.lost(tick):
                self._close()
                continue
            beam.step(self._next, tick)
            self._next += 1
            sure = beam.alone(self._clean, GUARD)
            if beam.rest() >= 0 or (sure is not None and sure.rested >= 0):
                self._close()
                continue
            steps = [] if sure is None else path(sure)
            if sure is not None and self._emit.looks_turning(steps, sure.edge + 1):
                self._decide_path(steps)
                self._root, self._lock = None, sure
                self._locked_at = sure.edge
                sure.parent = None
                return True
            self._settle()
            if self._root is not None and self._faults.due():
                self._renumber()
        if last and self._root is not None:
            self._close()
            return self._next - self._base < len(times)
        return False

    def _start(self, edge: int, tick: int, last: bool) -> bool:
        """Begin a stretch at this edge. False when more edges are needed to begin well."""
        if self._geometry.teeth > FEW_TEETH and self._geometry.symmetry > 1:
            ahead = self._times[edge - self._base : edge - self._base + self._steady.first_wanted + 1]
            count = self._first_tooth(ahead)
            if count is not None and len(ahead) > self._steady.first_wanted:
                self._start_in_step(edge, ahead, count)
                return True
            if count is not None and not last:
                return False
        profile = Profile(self._geometry)
        counts = range(self._geometry.symmetry)
        self._beam.hopeless = HOPELESS
        if self._rehearsal.used:
            begin, wanted = edge - self._base, self._rehearsal.wanted
            rehearsed = self._rehearsal.profile(edge, self._times[begin : begin + wanted], last)
            if rehearsed is None:
                return False
            profile = rehearsed
            if profile.sigma < math.inf:
                counts = range(2 * self._geometry.teeth)
            self._beam.hopeless = HOPELESS_AT_FIRST
            self._patient_until = edge + wanted
        self._begin(edge, profile)
        self._beam.begin(edge, tick, counts)
        # Any of the first explanations stands for all: what is needed is where the stretch began.
        self._root = self._beam.live[0]
        return True

    def _begin(self, edge: int, profile: Profile) -> None:
        """What a stretch that begins at this edge knows of those before: nothing."""
        self._beam.profile, self._tail = profile, NO_TEETH
        self._emit.begin(edge)
        self._faults.begin()
        self._next = edge + 1

    def _first_tooth(self, ahead: NDArray[np.int64]) -> int | None:
        """The tooth that the first of a turn's edges is, if there is no doubt about any of them."""
        spans = np.diff(ahead)
        slow, fast = self._beam.first_span_most, self._beam.least_deg_ticks * self._geometry.smallest_deg
        if len(spans) and (spans.max() > slow or spans.min() < fast):
            return None
        if any(start <= ahead[-1] and end > ahead[0] for start, end in self._blind):
            return None
        return self._steady.first(ahead)

    def _start_in_step(self, edge: int, ahead: NDArray[np.int64], count: int) -> None:
        """Begin a stretch at this edge, which is that tooth: the quick tracker goes on from it at once."""
        self._begin(edge, Profile(self._geometry))
        lock = Node(edge, int(ahead[0]), count, 0.0, None)
        # No interval ended here: the first one is held against itself.
        lock.span_ticks, lock.span_deg = int(ahead[1] - ahead[0]), self._geometry.span(count, 1)
        lock.before = count - 1
        self._lock, self._locked_at = lock, edge
        self._clean = CLEAN
        self._block = max(256, len(ahead))

    def _close(self) -> None:
        """The stretch is over: its best explanation stands, if it shows a wheel at all."""
        best = self._beam.best_to_rest()
        nodes = path(best)
        if best.rested >= 0:
            self._next = best.rested
            nodes = [node for node in nodes if node.edge < best.rested]
        if self._emit.looks_turning(nodes, self._next):
            last = nodes[-1]
            can_stop = motion.reach_deg(last.pace * self._tick_s) <= self._geometry.span(last.count, 1)
            self._decide_path(without_slowing_down(nodes, self._geometry) if can_stop else nodes)
        self._root = None
        self._emit.end(self._next)

    def _settle(self) -> None:
        """Decide what all explanations share; and never let more than `undecided_teeth` teeth wait."""
        assert self._root is not None
        if self._next - self._root.edge < SETTLE_EVERY:
            return
        best = self._beam.best()
        cut = self._beam.shared()
        if cut is None or cut.edge <= self._root.edge:
            if self._next - self._root.edge <= self.undecided_teeth:
                return
            # Too much waits: the best explanation's beginning stands, and only what agrees with it.
            steps = path(best)
            cut = steps[len(steps) // 2]
            if cut.rested < 0:
                self._beam.live = [node for node in self._beam.live if cut in path(node)]
        if cut.rested >= 0:
            self._close()
            return
        steps = path(cut)
        if not self._emit.looks_turning(steps, cut.edge + 1):
            if self._next - self._root.edge > 2 * self.undecided_teeth:
                self._begin_later()
            return
        if len(steps) < 2:
            return
        self._decide_path(steps)
        cut.parent = None
        self._root = cut

    def _begin_later(self) -> None:
        """So many edges, and no wheel in them: the first is none of its teeth, as after a stray pulse in a silence. It
        is more edges each time, so that noise with nothing turning is soon done with."""
        assert self._root is not None
        waiting = self._next - self._root.edge
        self._next = self._root.edge + min(self._strays, waiting)
        self._strays *= 2
        self._root = None
        self._emit.end(self._next)

    def _renumber(self) -> None:
        """So many faults that it may be the numbers: the best explanation stands, and any tooth may be the latest."""
        assert self._root is not None
        best = self._beam.best()
        if best.edges_since or best.rested >= 0 or best.edge <= self._root.edge:
            return
        self._faults.asked(True)
        self._decide_path(path(best))
        self._beam.resume(best, *self._tail, renumber=True)
        self._root = self._beam.live[0]

    def _decide_path(self, nodes: Sequence[Node]) -> None:
        known = self._tail[0]
        if len(known) and nodes[0].count != known[-1]:
            self._emit.renumber(nodes[0].count - int(known[-1]))
            self._beam.profile, self._tail = Profile(self._geometry), NO_TEETH
        self._decide(*columns(nodes))

    def _decide(self, edges: NDArray[np.int64], counts: NDArray[np.int64], ticks: NDArray[np.int64]) -> None:
        self._strays = 1
        self._emit.decide(edges, counts, ticks)
        self._faults.note(edges, counts)
        self._remember(counts, ticks)

    def _remember(self, counts: NDArray[np.int64], ticks: NDArray[np.int64]) -> None:
        """Keep the last few teeth for the next doubt, and teach the profile; the first is known already, if any is."""
        old = self._tail[0] < counts[0]
        known = int(old.sum())
        counts = np.concatenate([self._tail[0][old], counts])
        ticks = np.concatenate([self._tail[1][old], ticks])
        begin = max(known - 1, 0)
        self._beam.profile.learn(counts[begin:], ticks[begin:])
        self._tail = (counts[-LOOK_BACK:], ticks[-LOOK_BACK:])
