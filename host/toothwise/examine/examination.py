"""The examination itself: batches in, events out as they are decided, a result at the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Protocol

from toothwise.checks.opposite import OppositeEdges
from toothwise.edges.signal import Batch, Blind, Clock, Edges, Recording
from toothwise.examine.course import Course
from toothwise.examine.doubt import OtherWheel
from toothwise.examine.feed import FeedWatch
from toothwise.examine.finding import WheelFinder
from toothwise.examine.result import Result, Tally
from toothwise.examine.speed import Speed
from toothwise.examine.witness import CamWitness, CrankWitness
from toothwise.records import Event, Measure
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker
from toothwise.wheel.pattern import Wheel

ALL_CHANNELS = "all"
"""The channel of a `blind` event that blinds the whole rig."""


class Check(Protocol):
    """Something that measures as the signal goes by. It must not grow with the recording's length."""

    def feed_edges(self, channel: str, edges: Edges) -> None: ...

    def feed(self, channel: str, teeth: Teeth) -> None: ...

    def finish(self) -> list[Measure]: ...


MakeCheck = Callable[[Wheel, Clock, str], Check]
"""Wheel and channel of the crank to a check; called once the wheel is known."""


class Examination:
    """Follows one recording. The events of any two cuts of it into batches are the same.

    clock, channels: the recording's.
    wheel: the crank's; None to find out from the signal.
    otherwise: the crank's where the signal does not say; what the card names.
    cam_wheel: the cam's, where it is to be followed tooth by tooth too.
    source: plain facts about where the recording is from, for the result.
    checks: what measures along the way; the measures are in the result.
    timing_level: which of the crank's edges marks the tooth; None to find out from the signal.

    The crank is followed on the channel "crank", or on the only channel of a recording that has no such one.
    """

    def __init__(
        self,
        clock: Clock,
        channels: Sequence[str],
        wheel: Wheel | None = None,
        *,
        otherwise: Wheel | None = None,
        cam_wheel: Wheel | None = None,
        source: dict[str, Any] | None = None,
        checks: Sequence[MakeCheck] = (),
        timing_level: int | None = None,
    ) -> None:
        self.clock = clock
        self.wheel = wheel
        self.crank = "crank" if "crank" in channels or len(channels) != 1 else channels[0]
        self.latest: list[tuple[str, Teeth]] = []
        """Channel and teeth that the last `feed` or `finish` decided, in order of time for each channel."""
        self.until_tick = 0
        self._source = dict(source or {})
        self._counts = dict.fromkeys(channels, 0)
        self._timing_level = timing_level
        self._finder = WheelFinder(clock, self.crank, otherwise) if wheel is None else None
        self._trackers: dict[str, Tracker] = {}
        self._opposite: OppositeEdges | None = None
        self._speed: Speed | None = None
        self._course: Course | None = None
        self._identified = False
        self._last_edge = 0
        self._make_checks = tuple(checks)
        self._checks: list[Check] = []
        self._other = None if wheel is None else OtherWheel(wheel, clock)
        if wheel is not None:
            self._follow_crank(wheel)
        self._cam_witness = CamWitness(clock)
        self._crank_witness: CrankWitness | None = None
        if cam_wheel is not None and "cam" in channels:
            self._trackers["cam"] = Tracker(cam_wheel, clock, channel="cam")
            self._crank_witness = CrankWitness(self.crank, cam_wheel)
        self._feed_watch = FeedWatch()
        self._last_tooth: dict[str, int] = {}
        self.events: list[Event] = []
        """All events decided so far, in the order they were decided."""
        self._blind: list[tuple[int, int]] = []  # merged, in order of time
        self._blind_ticks = 0
        self._seen = self._missing = self._extra = 0

    def feed(self, batch: Batch) -> list[Event]:
        """Take one batch; return the events that this decided, in order of time."""
        self.until_tick = max(self.until_tick, batch.until_tick)
        for channel, edges in batch.edges.items():
            self._counts[channel] = self._counts.get(channel, 0) + len(edges)
            if channel == "cam":
                self._cam_witness.feed(edges)
            for check in self._checks:
                check.feed_edges(channel, edges)
            if channel == self.crank and len(edges):
                self._last_edge = int(edges.ticks[-1])
                if self._other is not None:
                    self._other.feed(edges)
        self.latest = []
        events = [self._note_blind(blind) for blind in batch.blind]
        if self._finder is not None and self._finder.feed(batch) is not None:
            events += self._found(self._finder)
        elif self._finder is None:
            events += self._track(self.crank, batch)
        events += self._track("cam", batch)
        self._forget()
        feed_edges = batch.edges.get("feed", Edges.none())
        events += self._feed_watch.feed(feed_edges, batch.until_tick, _of(batch.blind, "feed"))
        return self._account(events)

    def finish(self) -> Result:
        """Decide what is left, as at the end of the recording."""
        self.latest = []
        events: list[Event] = []
        if self._finder is not None and self._finder.finish() is not None:
            events += self._found(self._finder)
        for channel, tracker in self._trackers.items():
            events += self._take(channel, tracker.finish(self.until_tick), last=True)
        if self._crank_witness is not None:
            events += self._crank_witness.judged([], last=True)
        events += self._feed_watch.finish(self.until_tick)
        self._account(events)
        return self._result()

    @property
    def timing_level(self) -> int | None:
        """The level after the crank's timing edge; None while that is not known."""
        tracker = self._trackers.get(self.crank)
        return None if tracker is None else tracker.timing_level

    def tally(self) -> Tally:
        """The counts so far."""
        return Tally(
            until_s=self.clock.seconds(self.until_tick),
            edges=self._counts.get(self.crank, 0),
            seen=self._seen,
            missing=self._missing,
            extra=self._extra,
            revolutions=self._revolutions(),
            blind_s=self._blind_s(),
            speed_rpm=None if self._speed is None else self._speed.now_rpm(self.until_tick - self._last_edge),
            feed_low=self._feed_watch.low,
        )

    def _found(self, finder: WheelFinder) -> list[Event]:
        assert finder.wheel is not None
        self._follow_crank(finder.wheel)
        self._identified = finder.identified
        held, blind = finder.held()
        self._finder = None
        for check in self._checks:
            for channel, edges in held.items():
                check.feed_edges(channel, edges)
        return self._track(self.crank, Batch(self.until_tick, held, blind))

    def _follow_crank(self, wheel: Wheel) -> None:
        self.wheel = wheel
        self._trackers[self.crank] = Tracker(wheel, self.clock, channel=self.crank, timing_level=self._timing_level)
        self._opposite = OppositeEdges(wheel, self.clock, self.crank)
        self._course = Course(wheel, self.clock)
        self._speed = Speed(wheel, self.clock, self._course)
        self._checks = [make(wheel, self.clock, self.crank) for make in self._make_checks]

    def _track(self, channel: str, batch: Batch) -> list[Event]:
        tracker = self._trackers.get(channel)
        if tracker is None:
            return []
        edges = batch.edges.get(channel, Edges.none())
        return self._take(channel, tracker.feed(edges, batch.until_tick, _of(batch.blind, channel)))

    def _take(self, channel: str, teeth: Teeth, *, last: bool = False) -> list[Event]:
        if channel == self.crank and self._opposite is not None:
            moved = [*self._opposite.add(teeth), *(self._opposite.finish() if last else ())]
            teeth = replace(teeth, events=(*teeth.events, *moved)) if moved else teeth
        self.latest.append((channel, teeth))
        if channel == self.crank and self._speed is not None:
            self._seen += len(teeth)
            self._speed.feed(teeth)
        if channel == self.crank and self._course is not None:
            self._course.feed(teeth)
        for check in self._checks:
            check.feed(channel, teeth)
        if len(teeth):
            self._last_tooth[channel] = int(teeth.ticks[-1])
        if channel == self.crank:
            if self._crank_witness is not None:
                self._crank_witness.feed(teeth)
            return [self._cam_witness.corrected(event) for event in teeth.events]
        return list(teeth.events) if self._crank_witness is None else self._crank_witness.judged(list(teeth.events))

    def _forget(self) -> None:
        """What came before a channel's last decided tooth, no witness will be asked about any more."""
        if self.crank in self._last_tooth:
            self._cam_witness.forget(self._last_tooth[self.crank])
        if "cam" in self._last_tooth and self._crank_witness is not None:
            self._crank_witness.forget(self._last_tooth["cam"])

    def _note_blind(self, blind: Blind) -> Event:
        start, end = blind.start_tick, blind.end_tick
        whole_start, whole_end = start, end
        later: list[tuple[int, int]] = []
        while self._blind and self._blind[-1][1] >= start:
            span = self._blind.pop()
            if span[0] > end:
                later.append(span)
                continue
            whole_start, whole_end = min(whole_start, span[0]), max(whole_end, span[1])
            self._blind_ticks -= span[1] - span[0]
        self._blind += [(whole_start, whole_end), *reversed(later)]
        self._blind_ticks += whole_end - whole_start
        return Event("blind", blind.channel or ALL_CHANNELS, start, end, more={"reason": blind.reason})

    def _blind_s(self) -> float:
        return self.clock.span_s(self._blind_ticks)

    def _revolutions(self) -> int:
        return 0 if self.wheel is None else (self._seen + self._missing) // self.wheel.teeth

    def _account(self, events: list[Event]) -> list[Event]:
        for event in events:
            if event.channel != self.crank:
                continue
            if event.kind == "missing":  # a silent stretch whose teeth can be counted brings one of these along
                self._missing += event.count
            elif event.kind == "extra":
                self._extra += event.count
        self.events += events
        return sorted(events, key=_in_time)

    def _looks_like(self) -> str:
        """The wheel that the signal shows, where it is hardly the told one."""
        if self._other is None:
            return ""
        own = (event for event in self.events if event.channel == self.crank)
        faulty = {event.revolution for event in own if event.kind in ("missing", "extra")}
        return self._other.name(len(faulty), self._revolutions())

    def _result(self) -> Result:
        return Result(
            clock=self.clock,
            source=self._source,
            edge_counts=dict(self._counts),
            crank=self.crank,
            until_tick=self.until_tick,
            wheel=self.wheel,
            identified=self._identified,
            looks_like=self._looks_like(),
            timing_level=self.timing_level,
            candidates=() if self._finder is None else self._finder.candidates,
            revolutions=self._revolutions(),
            speed=None if self._speed is None else self._speed.range(),
            seen=self._seen,
            missing=self._missing,
            extra=self._extra,
            events=sorted(self.events, key=_in_time),
            blind_s=self._blind_s(),
            measures=[measure for check in self._checks for measure in check.finish()],
            course=None if self._course is None else self._course.as_json(),
        )


def examine(
    recording: Recording,
    wheel: Wheel | None = None,
    *,
    otherwise: Wheel | None = None,
    cam_wheel: Wheel | None = None,
    checks: Sequence[MakeCheck] = (),
    timing_level: int | None = None,
    progress: Callable[[Examination], None] | None = None,
) -> Result:
    """A whole recording in one call. `progress` is called after every batch."""
    examination = Examination(
        recording.clock,
        recording.channels,
        wheel,
        otherwise=otherwise,
        cam_wheel=cam_wheel,
        source=recording.source,
        checks=checks,
        timing_level=timing_level,
    )
    for batch in recording.batches():
        examination.feed(batch)
        if progress is not None:
            progress(examination)
    return examination.finish()


def _of(blind: Sequence[Blind], channel: str) -> tuple[Blind, ...]:
    return tuple(b for b in blind if b.channel in (None, channel))


def _in_time(event: Event) -> tuple[int, int, str, str]:
    return (event.tick, event.end_tick, event.channel, event.kind)
