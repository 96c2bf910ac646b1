"""Ways to watch, batch by batch: a turning wheel, lines at rest, conductors; and the choice between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from toothwise.edges.signal import CHANNELS, Batch, Clock, Edges
from toothwise.examine import Examination, Result
from toothwise.wheel.pattern import Wheel
from toothwise.wiggle.disturbance import FEED, Disturbance, Events
from toothwise.wiggle.interference import MOST, NamedSoFar, name_interference
from toothwise.wiggle.marks import Mark, stretches
from toothwise.wiggle.rest import LevelWatch
from toothwise.wiggle.seen import Seen
from toothwise.wiggle.turning import TurningWatch

NEAR_S = 0.1
DENSE = 400
"""More edges than this in a row, each within NEAR_S of the next, are a turning wheel's, not a contact's."""
FEWEST_TURNS = 2
LASTS_S = 2.0
"""Nor does a contact chatter for so long without a pause."""
RESTS_AFTER_S = 3.0
"""A line that made no such run by then is at rest."""


class Watching:
    """One recording, watched for one harness test. The same however the stream is cut.

    mode: "turning", "rest" or "continuity"; None to choose by what the signal does, once it has done so: turning from
    FEWEST_TURNS tracked revolutions on. `mode` says which it is; until it is known, disturbances are held back.
    names: of conductors in continuity, by channel.
    """

    def __init__(
        self,
        clock: Clock,
        channels: Sequence[str],
        *,
        mode: str | None = None,
        wheel: Wheel | None = None,
        cam_wheel: Wheel | None = None,
        source: Mapping[str, Any] | None = None,
        names: Mapping[str, str] | None = None,
    ) -> None:
        self.clock = clock
        self.channels = tuple(channels)
        self.mode = mode
        self.events = Events(clock)
        """All, interference among them."""
        self.contacts = self.events
        """Without what is known to be interference by now."""
        self.so_far = NamedSoFar()
        self.until_tick = 0
        self._known_until = 0  # at the end, without what is supposed
        self._source = dict(source or {})
        self._named = wheel is not None or mode == "turning"
        self._turning = TurningWatch(clock, channels, wheel, cam_wheel=cam_wheel, source=self._source)
        self._continuity = mode == "continuity"
        self._names = dict(names or {})
        self._rest: dict[str, LevelWatch] | None = None if mode == "turning" else {}
        self._counts = dict.fromkeys(channels, 0)
        self._held: list[list[Disturbance]] = [[], []]  # turning and at rest, while the mode is not known
        self._blind: list[tuple[int, int]] = []
        self._parts: list[Disturbance] = []  # for the naming of interference
        self._dense = Dense(clock, self.examination.crank)

    @property
    def examination(self) -> Examination:
        """The examination that runs along, whatever the mode."""
        return self._turning.examination

    @property
    def result(self) -> Result | None:
        """The examination's, once finished."""
        return self._turning.result

    def name_of(self, number: int) -> str:
        """A conductor's name by its number on the rig."""
        channel = CHANNELS[number] if number < len(CHANNELS) else str(number)
        return self._names.get(channel, channel)

    @property
    def feed_low(self) -> bool:
        """Whether the feed is low now, as far as is known."""
        return FEED in self.channels and self.examination.tally().feed_low

    def feed(self, batch: Batch) -> list[Disturbance]:
        """Take one batch; what it decided, without what is known to be interference."""
        self.until_tick = max(self.until_tick, batch.until_tick)
        signal = self.examination.crank
        self._blind += [(b.start_tick, b.end_tick) for b in batch.blind if b.channel in (None, signal)]
        for name, edges in batch.edges.items():
            self._counts[name] = self._counts.get(name, 0) + len(edges)
        self._dense.feed(batch)
        turning = self._turning.feed(self._still(batch) if self.mode in ("rest", "continuity") else batch)
        rest = self._at_rest(batch) if self._rest is not None else []
        return self._choose(turning, rest, final=False)

    def _still(self, batch: Batch) -> Batch:
        """Without the edges of contacts: where nothing turns, there is no wheel to be made out of them."""
        return Batch(batch.until_tick, {FEED: edges_of(batch, FEED)} if FEED in self.channels else {}, batch.blind)

    def note(self, part: Disturbance) -> None:
        """Something that the rig itself found: a short between conductors."""
        self.events.add([part])

    def finish(self, until_tick: int | None = None) -> list[Disturbance]:
        """What is left, as at the end of the recording; until_tick: where that was, if later than the last edge."""
        self._known_until = self.until_tick
        self.until_tick = max(self.until_tick, until_tick or 0)
        turning = self._turning.finish()
        if self._turning.result is not None:
            self._turning.result.edge_counts.update(self._counts)
        rest = [d for watch in (self._rest or {}).values() for d in watch.finish(self.until_tick)]
        return self._choose(turning, rest, final=True)

    def _choose(self, turning: list[Disturbance], rest: list[Disturbance], *, final: bool) -> list[Disturbance]:
        if self.mode is None:
            self._held = [before + new for before, new in zip(self._held, (turning, rest), strict=True)]
            if self.turned:
                self.mode, self._rest = "turning", None
            elif final or (self.clock.span_s(self.until_tick) > RESTS_AFTER_S and self._dense.longest <= DENSE):
                self.mode = "rest"
            else:
                return []
            turning, rest = self._held
        found = turning if self.mode == "turning" else rest
        self.events.add(found)
        self._parts += found[: max(MOST - len(self._parts), 0)]
        return self._without_noise(found) if self.mode == "turning" else found

    def _without_noise(self, found: list[Disturbance]) -> list[Disturbance]:
        """What no ignition or alternator explains by now."""
        if not found:
            return found
        own, changed = self.so_far.feed(found, self._slots)
        if changed:
            self.contacts = Events(self.clock)
            self.contacts.add(self.so_far.contacts)
        elif self.so_far.noise:
            self.contacts.add(own)
        return own

    @property
    def _slots(self) -> int:
        """Of the wheel, a turn of the crank."""
        wheel = self.examination.wheel
        return wheel.slots_a_turn if wheel else 1

    @property
    def turned(self) -> bool:
        """Whether the crank is known to have turned, by its tracked teeth."""
        tally = self.examination.tally()
        if self.examination.wheel is None or tally.revolutions < FEWEST_TURNS:
            return False
        return self._named or 4 * tally.seen >= tally.edges

    @property
    def unexplained(self) -> bool:
        """Whether something turned that no wheel explains."""
        return not self.turned and self._dense.longest > DENSE

    def _at_rest(self, batch: Batch) -> list[Disturbance]:
        assert self._rest is not None
        found = []
        for name in dict.fromkeys([*self.channels, *batch.edges]):
            if name not in self._rest:
                rests = 0 if self._continuity else 1 if name == FEED else None
                self._rest[name] = LevelWatch(self.clock, self._names.get(name, name), rests)
            blind = [b for b in batch.blind if b.channel in (None, name)]
            found += self._rest[name].feed(edges_of(batch, name), batch.until_tick, blind)
        return found

    def seen(self, marks: Sequence[Mark], *, open_ended: bool = False) -> Seen:
        """After `finish`: all of it, with the stretches that the marks make."""
        mode = self.mode or "rest"
        parts = stretches(marks, self._known_until, open_ended=open_ended and mode != "turning")
        begin, end = 0, self.until_tick
        if open_ended and mode != "turning" and parts:
            begin, end = min(0, parts[0].start), max(end, parts[-1].end)
        turned = mode == "turning"
        parts_named = self._parts if turned and len(self._parts) < MOST else []
        named, events = name_interference(parts_named, self._slots), self.events
        if named.found:
            events = Events(self.clock)
            events.add(named.rest)
        wheel = self.examination.wheel
        return Seen(
            clock=self.clock,
            source=self._source,
            mode=mode,
            channels=self.channels,
            stretches=parts,
            from_tick=begin,
            until_tick=end,
            events=events,
            blind=merged(self._blind),
            wheel=wheel.name if turned and wheel else None,
            revolutions=self.examination.tally().revolutions if turned else 0,
            hidden=self._turning.hidden.shares() if turned else None,
            limit_deg=self._turning.limit_deg if turned else None,
            judged=self._turning.judged if turned else None,
            interference=named.found,
            noise=named.ticks,
        )


def edges_of(batch: Batch, channel: str) -> Edges:
    """A channel's edges in a batch, none where it has none."""
    return batch.edges.get(channel, Edges.none())


def merged(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order of time, those that touch joined."""
    out: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1]:
            out[-1] = out[-1][0], max(out[-1][1], end)
        else:
            out.append((start, end))
    return out


class Dense:
    """The longest run of edges that follow one another closely: how many, and for how many ticks."""

    def __init__(self, clock: Clock, channel: str) -> None:
        self._channel, self._near = channel, clock.ticks(NEAR_S)
        self._last: int | None = None
        self._began = 0
        self._run = 0
        self.longest = 0
        self.ticks = 0

    def feed(self, batch: Batch) -> None:
        ticks = edges_of(batch, self._channel).ticks
        if not len(ticks):
            return
        before = ticks[0] if self._last is None else self._last
        far = np.flatnonzero(np.diff(ticks, prepend=before) > self._near)
        if self._last is None:
            self._began = int(ticks[0])
        for a, b in pairwise([0, *far.tolist(), len(ticks)]):
            if a in far:
                self._began, self._run = int(ticks[a]), 0
            if b > a:
                self._run += b - a
                self.longest = max(self.longest, self._run)
                self.ticks = max(self.ticks, int(ticks[b - 1]) - self._began)
        self._last = int(ticks[-1])
