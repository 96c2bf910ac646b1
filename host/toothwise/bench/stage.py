"""One part of the sequence, watched: batches in, measures against their limits out.

The sensor is on the crank channel, a master sensor, if there is one, on aux. What is counted is what the rig can vouch
for: a turn with a blind stretch in it counts for nothing.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from toothwise.bench import reference
from toothwise.bench.decide import COUNTED, judge, judge_count
from toothwise.bench.limits import Limits
from toothwise.bench.result import LEARNT, MASTER, NONE, Judged
from toothwise.checks.duty import Duty
from toothwise.checks.full_count import FullCount
from toothwise.checks.jitter import Jitter
from toothwise.edges.signal import Batch, Clock, Edges
from toothwise.examine import Examination
from toothwise.records import Measure
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker
from toothwise.wheel.learnt import LearntWheel
from toothwise.wheel.pattern import Wheel

MASTER_CHANNEL = "aux"
SENSOR_CHANNEL = "crank"
MOST_POSITION_TEETH = 400_000
"""Teeth of each sensor that are kept for positions: the latest."""
STEADY_TURN = 0.02
"""A turn's speed may differ by so much from the one before and still count as steady: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Master:
    """What is known of the reference.

    zero_deg: where a good sensor stands against the master on this bench. uncertainty_deg: standard, of that zero and
    of the mount. learnt: the wheel from a master sensor's run, for when none is on aux.
    """

    zero_deg: float = 0.0
    uncertainty_deg: float = 0.0
    learnt: LearntWheel | None = None


class _Measuring:
    """The checks of a stage, fed by its examination; keeps the teeth for the positions."""

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self.full, self.jitter, self.duty = FullCount(wheel, clock), Jitter(wheel, clock), Duty()
        self.kept = _Kept()

    def feed_edges(self, channel: str, edges: Edges) -> None:
        if channel == SENSOR_CHANNEL:
            self.duty.add(edges)

    def feed(self, channel: str, teeth: Teeth) -> None:
        if channel == SENSOR_CHANNEL:
            self.full.add(teeth)
            self.jitter.add(teeth)
            self.kept.add(teeth)

    def finish(self) -> list[Measure]:
        return self.full.measures() + self.jitter.measures() + self.duty.measures()


class _Kept:
    """The latest teeth, no more than MOST_POSITION_TEETH and a batch."""

    def __init__(self) -> None:
        self._parts: deque[Teeth] = deque()
        self._count = 0

    def add(self, teeth: Teeth) -> None:
        if len(teeth):
            self._parts.append(teeth)
            self._count += len(teeth)
        while len(self._parts) > 1 and self._count - len(self._parts[0]) > MOST_POSITION_TEETH:
            self._count -= len(self._parts.popleft())

    def whole(self) -> Teeth:
        return reference.joined(list(self._parts))


class Stage:
    """Feed batches; look at the counts meanwhile; `judge` at the end.

    name: "sweep", "dwell 3000 rpm", "gap 1.5 mm", "hot", ... Its first word says which limits are meant and what is
    measured: a sweep gives the lowest speed with a full count, all others count and measure.
    """

    def __init__(
        self, name: str, limits: Limits, clock: Clock, channels: tuple[str, ...], master: Master | None = None
    ) -> None:
        self.name, self.limits, self.clock = name, limits, clock
        self.master = master or Master()
        self.sweep = name.split(" ")[0] == "sweep"
        self._measuring: _Measuring | None = None
        self.examination = Examination(clock, channels, limits.wheel, checks=[self._make])
        self._aux: Tracker | None = None
        if MASTER_CHANNEL in channels:
            self._aux = Tracker(limits.wheel, clock, channel=MASTER_CHANNEL)
        self._aux_teeth = _Kept()
        self.reference = NONE

    def _make(self, wheel: Wheel, clock: Clock, crank: str) -> _Measuring:
        self._measuring = _Measuring(wheel, clock)
        return self._measuring

    def feed(self, batch: Batch) -> None:
        self.examination.feed(batch)
        if self._aux is not None:
            blind = tuple(b for b in batch.blind if b.channel in (None, MASTER_CHANNEL))
            edges = batch.edges.get(MASTER_CHANNEL, Edges.none())
            self._aux_teeth.add(self._aux.feed(edges, batch.until_tick, blind))

    @property
    def revolutions(self) -> int:
        """Vouched-for turns so far."""
        return self.examination.tally().revolutions

    @property
    def faults(self) -> int:
        tally = self.examination.tally()
        return tally.missing + tally.extra

    def clear_fail(self) -> Judged | None:
        """A count that no more turns can mend; None while there is none."""
        tally = self.examination.tally()
        for name, count in (("missing", tally.missing), ("extra", tally.extra)):
            limit = self.limits.measures.get(name)
            if not self.sweep and limit is not None and count > (limit.at(self.name)[1] or 0.0):
                return judge_count(limit, count, tally.revolutions, self.name, self._needed, self._confidence)
        return None

    @property
    def _needed(self) -> int:
        return self.limits.sequence.revolutions

    @property
    def _confidence(self) -> float:
        return self.limits.sequence.confidence

    def positions(self) -> reference.Positions | None:
        """Edge positions against the best reference there is; call it after the last batch."""
        if self._measuring is None:
            return None
        teeth, wheel = self._measuring.kept.whole(), self.limits.wheel
        found = None
        if self._aux is not None:
            found = reference.against_master(wheel, teeth, self._aux_teeth.whole(), self.clock)
            self.reference = MASTER if found is not None else NONE
        if found is None:
            learnt = self.master.learnt
            found = reference.against_learnt(wheel, teeth, self.clock, learnt)
            self.reference = LEARNT if found is not None and learnt is not None else NONE
        return found

    def teeth(self) -> Teeth:
        """The sensor's teeth that were kept."""
        return reference.joined([]) if self._measuring is None else self._measuring.kept.whole()

    def judge(self) -> list[Judged]:
        """End the stage and hold what was measured against the limits."""
        result = self.examination.finish()
        if self._aux is not None:
            self._aux_teeth.add(self._aux.finish(self.examination.until_tick))
        found = {m.name: (m.value, m.uncertainty) for m in result.measures}
        coverage = self.limits.sequence.coverage
        out = []
        for name, limit in self.limits.measures.items():
            if name == "lowest_full_count" and self.sweep:
                out.append(judge(limit, *found.get(name, (None, None)), self.name, coverage))
            elif name in COUNTED and not self.sweep:
                count = result.missing if name == "missing" else result.extra
                out.append(judge_count(limit, count, result.revolutions, self.name, self._needed, self._confidence))
            elif name in ("duty", "jitter") and not self.sweep and name in found:
                out.append(judge(limit, *found[name], self.name, coverage))
        if not self.sweep:
            out += self._judge_positions()
        return out

    def _judge_positions(self) -> list[Judged]:
        wanted = [n for n in ("edge_position", "edge_spread", "edge_repeatability") if n in self.limits.measures]
        found = self.positions() if wanted else None
        if found is None:
            return []
        out = []
        for name in wanted:
            if name == "edge_position" and found.mean_deg is not None:
                doubt = math.hypot(found.mean_uncertainty_deg, self.master.uncertainty_deg)
                value = found.mean_deg - self.master.zero_deg
            elif name == "edge_spread" and self.reference != NONE:
                value, doubt = found.spread
            elif name == "edge_repeatability":
                value, doubt = found.repeatability_deg, found.repeatability_uncertainty_deg
            else:
                continue
            out.append(judge(self.limits.measures[name], value, doubt, self.name, self.limits.sequence.coverage))
        return out


def steady_from(teeth: Teeth, wheel: Wheel) -> int | None:
    """Tick from which on every turn's duration differs by less than STEADY_TURN from the one before it, to the end;
    None where the last turns are not steady."""
    ones = teeth.ticks[(teeth.tooth == 1) & (teeth.revolution >= 0)]
    if len(ones) < 4:
        return None
    turn = np.diff(ones).astype(np.float64)
    unsteady = np.flatnonzero(np.abs(turn[1:] / turn[:-1] - 1.0) > STEADY_TURN)
    first = int(unsteady[-1]) + 2 if len(unsteady) else 0
    return int(ones[first]) if first < len(ones) - 3 else None
