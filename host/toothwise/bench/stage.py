"""One part of the sequence, followed live: batches in, counts meanwhile, measures against their limits at the end.

The sensor is on the crank channel; a master sensor, if there is one, on aux.
"""

from __future__ import annotations

from toothwise.bench.decide import COUNTED
from toothwise.bench.figures import Counts, Figures, Master
from toothwise.bench.limits import Limits
from toothwise.bench.result import FAIL, Judged
from toothwise.edges.signal import Batch, Clock, Edges
from toothwise.examine import Examination, Result
from toothwise.records import Event
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker

SENSOR_CHANNEL = "crank"
MASTER_CHANNEL = "aux"


class Watch:
    """Follows sensor and master tooth by tooth."""

    def __init__(self, limits: Limits, clock: Clock, channels: tuple[str, ...]) -> None:
        level = limits.timing_level
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

    def feed(self, batch: Batch) -> None:
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

    @property
    def speed_rpm(self) -> float | None:
        """Of the sensor's wheel, now; None while nothing turns."""
        return self._watch.examination.tally().speed_rpm

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
        return self.figures.judge(Counts(result.missing, result.extra, result.revolutions), events)
