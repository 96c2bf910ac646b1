"""A turning wheel watched for contacts: the examination's events and moved edges, down to the tick."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from toothwise.edges.signal import Batch, Clock, Edges
from toothwise.examine import Examination, Result
from toothwise.records import Event
from toothwise.wheel.pattern import Wheel
from toothwise.wiggle.disturbance import FEED, Disturbance
from toothwise.wiggle.hidden import Hidden
from toothwise.wiggle.moved import MovedEdges
from toothwise.wiggle.rest import LevelWatch

_BEHIND_S = 0.25
"""Edges kept behind the last decided tooth: an event may reach back to the tooth before."""
_MOST_KEPT = 1 << 21
"""Edges kept while no wheel is known yet."""


class TurningWatch:
    """One recording. The same however the stream is cut."""

    def __init__(
        self,
        clock: Clock,
        channels: Sequence[str],
        wheel: Wheel | None = None,
        *,
        cam_wheel: Wheel | None = None,
        source: dict[str, Any] | None = None,
    ) -> None:
        self.clock = clock
        self.examination = Examination(clock, channels, wheel, cam_wheel=cam_wheel, source=source)
        self.hidden = Hidden(clock)
        self.result: Result | None = None
        """The examination's, once finished."""
        self._feed = LevelWatch(clock, FEED, rest=1)
        self._has_feed = FEED in channels and self.examination.crank != FEED
        self._cam_wheel = cam_wheel
        self._moved: dict[str, MovedEdges] = {}
        self._kept: dict[str, Edges] = {}
        self._decided: dict[str, int] = {}

    @property
    def limit_deg(self) -> float | None:
        """The smallest shift of a crank edge that is seen; see `MovedEdges`."""
        moved = self._moved.get(self.examination.crank)
        return moved.limit_deg if moved else None

    @property
    def judged(self) -> float | None:
        """Share of the crank's edges at which a shift could be told; None where nothing turned."""
        moved = self._moved.get(self.examination.crank)
        return moved.judged if moved else None

    def feed(self, batch: Batch) -> list[Disturbance]:
        """Take one batch; what it decided."""
        for channel in (self.examination.crank, "cam"):
            if channel in batch.edges:
                self._kept[channel] = Edges.join([self._kept.get(channel, Edges.none()), batch.edges[channel]])
        self.hidden.feed(batch.edges.get(self.examination.crank, Edges.none()))
        found = self._from(self.examination.feed(batch))
        if self._has_feed:
            blind = [b for b in batch.blind if b.channel in (None, FEED)]
            found += self._feed.feed(batch.edges.get(FEED, Edges.none()), batch.until_tick, blind)
        return found

    def finish(self) -> list[Disturbance]:
        """What is left, as at the end of the recording."""
        before = len(self.examination.events)
        self.result = self.examination.finish()
        found = self._from(self.examination.events[before:])
        for moved in self._moved.values():
            found += moved.finish()
        if self._has_feed:
            found += self._feed.finish(self.examination.until_tick)
        return found

    def _from(self, events: Sequence[Event]) -> list[Disturbance]:
        missing = {(e.channel, e.tick) for e in events if e.kind == "missing"}
        found = []
        for event in events:
            if event.kind == "silent" and (event.channel, event.tick) in missing:
                continue  # the same, told twice
            found += self._told(event)
        for channel, teeth in self.examination.latest:
            if len(teeth):
                found += self._moved_on(channel).feed(teeth)
                self._decided[channel] = int(teeth.ticks[-1])
        self._forget()
        return found

    def _moved_on(self, channel: str) -> MovedEdges:
        if channel not in self._moved:
            wheel = self.examination.wheel if channel == self.examination.crank else self._cam_wheel
            assert wheel is not None
            self._moved[channel] = MovedEdges(wheel, self.clock, channel)
        return self._moved[channel]

    def _forget(self) -> None:
        for channel, kept in self._kept.items():
            if channel in self._decided:
                cut = int(np.searchsorted(kept.ticks, self._decided[channel] - self.clock.ticks(_BEHIND_S)))
            else:
                cut = max(len(kept) - _MOST_KEPT, 0)
            self._kept[channel] = Edges(kept.ticks[cut:], kept.levels[cut:])

    # an event's own edges

    def _told(self, event: Event) -> list[Disturbance]:
        if event.kind == "missing":
            return [self._gone(event)]
        if event.kind == "silent":
            length = event.end_tick - event.tick
            return [_of(event, length, length, level=event.level, stays=True)]
        if event.kind in ("extra", "contact"):
            return self._pulses(event)
        return []

    def _gone(self, event: Event) -> Disturbance:
        """Missing teeth: the line was held from its last change before the first absent edge to its next one."""
        kept = self._kept.get(event.channel, Edges.none())
        first = max(int(np.searchsorted(kept.ticks, event.tick)) - 1, 0)
        last = int(np.searchsorted(kept.ticks, event.end_tick, side="right"))
        spans = np.diff(kept.ticks[first : last + 1])
        length = event.end_tick - event.tick
        pitch = round(length / max(event.count, 1))
        if not len(spans):
            return _of(event, length, length + pitch, level=event.level, slack=pitch)
        at = first + int(spans.argmax())
        most = int(spans.max())
        least = max(most - pitch, (event.count - 1) * pitch, 0)
        return _of(event, min(least, most), most, level=int(kept.levels[at]), slack=pitch)

    def _pulses(self, event: Event) -> list[Disturbance]:
        """Extra edges, two and two: each pair is an interruption."""
        kept = self._kept.get(event.channel, Edges.none())
        a = int(np.searchsorted(kept.ticks, event.tick))
        b = int(np.searchsorted(kept.ticks, event.end_tick, side="right"))
        ticks, levels = kept.ticks[a:b], kept.levels[a:b]
        if len(ticks) < 2:
            return [_of(event, 0, event.end_tick - event.tick)]
        spans = ticks[1::2] - ticks[: len(ticks) // 2 * 2 : 2]
        longest = int(spans.max())
        return [_of(event, longest, longest, level=int(levels[0]))]


def _of(
    event: Event, least: int, most: int, *, level: int | None = None, slack: int = 0, stays: bool = False
) -> Disturbance:
    return Disturbance(
        "level" if event.kind == "contact" else event.kind,
        event.channel,
        event.tick,
        event.end_tick,
        least,
        most,
        level,
        event.count,
        event.revolution,
        event.tooth,
        event.angle_deg,
        slack,
        stays,
    )
