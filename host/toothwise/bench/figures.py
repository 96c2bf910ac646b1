"""What one part of the sequence says of the sensor: teeth and counts in, measures against their limits out."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from toothwise.bench import reference
from toothwise.bench.decide import COUNTED, judge, judge_count
from toothwise.bench.limits import Limits
from toothwise.bench.lowest import judge_lowest
from toothwise.bench.result import LEARNT, MASTER, NONE
from toothwise.checks.duty import Duty
from toothwise.checks.full_count import FullCount
from toothwise.checks.jitter import Jitter
from toothwise.edges.signal import Clock, Edges
from toothwise.records import Event, Judged
from toothwise.track.teeth import Teeth
from toothwise.wheel.learnt import LearntWheel

MOST_TEETH = 400_000
"""Teeth of each sensor that are kept for positions: the latest."""


@dataclass(frozen=True, slots=True)
class Master:
    """What is known of the reference.

    zero_deg: where a good sensor stands against the master on this bench; None while that is not known, and then no
    mean position is judged. uncertainty_deg: standard, of that zero and of the mount. learnt: the wheel from a master
    sensor's run, for when none is on aux.
    """

    zero_deg: float | None = None
    uncertainty_deg: float = 0.0
    learnt: LearntWheel | None = None


@dataclass(frozen=True, slots=True)
class Counts:
    """Of what the rig could vouch for: a turn with a blind stretch in it counts for nothing."""

    missing: int
    extra: int
    revolutions: int


class Kept:
    """The latest teeth, no more than MOST_TEETH and a batch."""

    def __init__(self) -> None:
        self._parts: deque[Teeth] = deque()
        self._count = 0

    def add(self, teeth: Teeth) -> None:
        if len(teeth):
            self._parts.append(teeth)
            self._count += len(teeth)
        while len(self._parts) > 1 and self._count - len(self._parts[0]) > MOST_TEETH:
            self._count -= len(self._parts.popleft())

    def whole(self) -> Teeth:
        return reference.joined(list(self._parts))


class Figures:
    """Feed teeth and edges, in order of time; `judge` once at the end.

    name: "sweep", "dwell 3000 rpm", "gap 1.5 mm", "hot", ... Its first word says which limits are meant and what is
    measured: a sweep gives the lowest speed with a full count, all others count and measure.
    """

    def __init__(self, name: str, limits: Limits, clock: Clock, master: Master | None = None) -> None:
        self.name, self.limits, self.clock = name, limits, clock
        self.sweep = name.split(" ")[0] == "sweep"
        self.reference = NONE
        """What positions were measured against; known once judged."""
        self._master = master or Master()
        self._full = FullCount(limits.wheel, clock)
        self._jitter, self._duty = Jitter(limits.wheel, clock), Duty()
        self._sensor, self._aux = Kept(), Kept()

    def add_edges(self, edges: Edges) -> None:
        """The sensor's."""
        self._duty.add(edges)

    def add_teeth(self, teeth: Teeth) -> None:
        """The sensor's, with their events."""
        self._sensor.add(teeth)
        if self.sweep:
            self._full.add(teeth)
        else:
            self._jitter.add(teeth)

    def forget_teeth(self) -> None:
        """The sensor's, before they are given once more, read another way."""
        self._full, self._sensor = FullCount(self.limits.wheel, self.clock), Kept()
        self._jitter = Jitter(self.limits.wheel, self.clock)

    def add_master(self, teeth: Teeth) -> None:
        self._aux.add(teeth)

    def teeth(self) -> Teeth:
        """The sensor's, as far as they were kept."""
        return self._sensor.whole()

    def master_teeth(self) -> Teeth:
        return self._aux.whole()

    def count(self, name: str, counts: Counts) -> Judged:
        """`missing` or `extra`, as it stands now."""
        sequence = self.limits.sequence
        number = counts.missing if name == "missing" else counts.extra
        limit = self.limits.measures[name]
        return judge_count(limit, number, counts.revolutions, self.name, sequence.revolutions, sequence.confidence)

    def judge(self, counts: Counts, events: Sequence[Event]) -> list[Judged]:
        """Hold what was measured against the limits. events: the sensor's, all of them."""
        if self.sweep:
            return [self._judge_lowest(events)] if "lowest_full_count" in self.limits.measures else []
        found = {m.name: (m.value, m.uncertainty) for m in (*self._jitter.measures(), *self._duty.measures())}
        coverage = self.limits.sequence.coverage
        out = []
        for name, limit in self.limits.measures.items():
            if name in COUNTED:
                out.append(self.count(name, counts))
            elif name in found:
                value, doubt = found[name]
                out.append(judge(limit, value, doubt, self.name, coverage))
        return out + self._judge_positions()

    def _judge_lowest(self, events: Sequence[Event]) -> Judged:
        limit, wheel, master = self.limits.measures["lowest_full_count"], self.limits.wheel, None
        rpm = next((m.value for m in self._full.measures()), None)
        beside = self.master_teeth()
        if len(beside):
            full = FullCount(wheel, self.clock)
            full.add(beside)
            master = next((m.value for m in full.measures()), None)
        coverage = self.limits.sequence.coverage
        return judge_lowest(limit, rpm, self.teeth(), events, wheel, self.clock, master, self.name, coverage)

    def positions(self) -> reference.Positions | None:
        """Edge positions against the best reference there is."""
        teeth, beside, wheel = self.teeth(), self.master_teeth(), self.limits.wheel
        found = reference.against_master(wheel, teeth, beside, self.clock) if len(beside) else None
        if found is not None:
            self.reference = MASTER
            return found
        learnt = self._master.learnt
        found = reference.against_learnt(wheel, teeth, self.clock, learnt)
        self.reference = LEARNT if found is not None and learnt is not None else NONE
        return found

    def _judge_positions(self) -> list[Judged]:
        wanted = [n for n in ("edge_position", "edge_spread", "edge_repeatability") if n in self.limits.measures]
        found = self.positions() if wanted else None
        if found is None:
            return []
        out = []
        for name in wanted:
            zero = self._master.zero_deg
            if name == "edge_position" and found.mean_deg is not None and zero is not None:
                doubt = math.hypot(found.mean_uncertainty_deg, self._master.uncertainty_deg)
                value = found.mean_deg - zero
            elif name == "edge_spread" and self.reference != NONE:
                value, doubt = found.spread
            elif name == "edge_repeatability":
                value, doubt = found.repeatability_deg, found.repeatability_uncertainty_deg
            else:
                continue
            out.append(judge(self.limits.measures[name], value, doubt, self.name, self.limits.sequence.coverage))
        return out
