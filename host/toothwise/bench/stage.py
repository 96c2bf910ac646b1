"""One part of the sequence, followed live: batches in, counts meanwhile, measures against their limits at the end.

The sensor is on the crank channel; a master sensor, if there is one, on aux.
"""

from __future__ import annotations

from collections.abc import Sequence

from toothwise.bench.backwards import faults, read_backwards
from toothwise.bench.decide import COUNTED
from toothwise.bench.figures import Counts, Figures, Master
from toothwise.bench.limits import Limits
from toothwise.bench.result import FAIL
from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.examine import Examination, Result
from toothwise.records import Event, Judged
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker

SENSOR_CHANNEL = "crank"
MASTER_CHANNEL = "aux"


class Watch:
    """Follows sensor and master tooth by tooth."""

    def __init__(self, limits: Limits, clock: Clock, channels: tuple[str, ...]) -> None:
        level = limits.timing_level
        self._wheel = limits.wheel
        self.examination = Examination(clock, channels, limits.wheel, timing_level=level)
        self._aux: Tracker | None = None
        if MASTER_CHANNEL in channels:
            self._aux = Tracker(limits.wheel, clock, channel=MASTER_CHANNEL, timing_level=level)

    def feed(self, batch: Batch) -> tuple[list[Teeth], list[Teeth]]:
        """Teeth now decided: the sensor's and the master's."""
        self.examination.feed(batch)
        sensor = [teeth for channel, teeth in self.examination.latest if channel == self.examination.crank]
        if self._aux is None:
            return sensor, []
        blind = tuple(b for b in batch.blind if b.channel in (None, MASTER_CHANNEL))
        edges = batch.edges.get(MASTER_CHANNEL, Edges.none())
        return sensor, [self._aux.feed(edges, batch.until_tick, blind)]

    def likeliest(self, result: Result, edges: Edges, blind: Sequence[Blind]) -> Teeth | None:
        """The sensor's teeth read backwards, where that explains its signal with fewer faults; else None."""
        examination = self.examination
        events = [e for e in result.events if e.channel == examination.crank]
        level = examination.timing_level
        if level is None or not faults(events):
            return None
        own = [b for b in blind if b.channel in (None, examination.crank)]
        back = read_backwards(edges, examination.until_tick, own, self._wheel, examination.clock, level)
        return back if back is not None and faults(back.events) < faults(events) else None

    def finish(self) -> tuple[list[Teeth], list[Teeth], Result]:
        """The last teeth, and the sensor's result."""
        result = self.examination.finish()
        sensor = [teeth for channel, teeth in self.examination.latest if channel == self.examination.crank]
        return sensor, [] if self._aux is None else [self._aux.finish(self.examination.until_tick)], result


class Stage:
    """Feed batches; look at the counts meanwhile; `judge` at the end."""

    def __init__(
        self, name: str, limits: Limits, clock: Clock, channels: tuple[str, ...], master: Master | None = None
    ) -> None:
        self.name, self.limits = name, limits
        self.figures = Figures(name, limits, clock, master)
        self._watch = Watch(limits, clock, channels)
        self._edges: list[Edges] = []  # of a sweep, should it have to be read backwards
        self._blind: list[Blind] = []

    def feed(self, batch: Batch) -> None:
        if self.figures.sweep:
            self._edges.append(batch.edges.get(SENSOR_CHANNEL, Edges.none()))
            self._blind += batch.blind
        sensor, master = self._watch.feed(batch)
        self.figures.add_edges(batch.edges.get(SENSOR_CHANNEL, Edges.none()))
        self._take(sensor, master)

    def _take(self, sensor: list[Teeth], master: list[Teeth]) -> None:
        for teeth in sensor:
            self.figures.add_teeth(teeth)
        for teeth in master:
            self.figures.add_master(teeth)

    @property
    def counts(self) -> Counts:
        """So far."""
        tally = self._watch.examination.tally()
        return Counts(tally.missing, tally.extra, tally.revolutions)

    def clear_fail(self) -> Judged | None:
        """A count that no more turns can mend; None while there is none."""
        if self.figures.sweep:
            return None
        counted = [self.figures.count(name, self.counts) for name in COUNTED if name in self.limits.measures]
        return next((one for one in counted if one.verdict == FAIL), None)

    def judge(self) -> list[Judged]:
        """End the stage and hold what was measured against the limits."""
        sensor, master, result = self._watch.finish()
        self._take(sensor, master)
        events: list[Event] = [e for e in result.events if e.channel == self._watch.examination.crank]
        if self.figures.sweep:
            back = self._watch.likeliest(result, Edges.join(self._edges), self._blind)
            if back is not None:
                self.figures.forget_teeth()
                self.figures.add_teeth(back)
                events = list(back.events)
        return self.figures.judge(Counts(result.missing, result.extra, result.revolutions), events)
