"""One recording, looked at from end to end: its disturbances, its stretches, and what could not be seen."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from toothwise.edges.signal import Batch, Blind, Clock, Edges, Recording
from toothwise.errors import FileTrouble
from toothwise.wheel.pattern import Wheel
from toothwise.wiggle.disturbance import FEED, Disturbance, Events
from toothwise.wiggle.interference import name_interference
from toothwise.wiggle.marks import Mark, Stretch, stretches
from toothwise.wiggle.rest import LevelWatch
from toothwise.wiggle.turning import TurningWatch

MODES = ("turning", "rest", "continuity")
_DENSE = 400
"""More edges than this in a row, each within _NEAR_S of the next, are a turning wheel's, not a contact's."""
_NEAR_S = 0.1
_FEWEST_TURNS = 2


@dataclass(slots=True)
class Seen:
    """What one recording came to.

    from_tick, until_tick: the time that was watched. blind: merged stretches of the watched signal, in order of time.
    """

    clock: Clock
    source: dict[str, Any]
    mode: str
    channels: tuple[str, ...]
    stretches: list[Stretch]
    from_tick: int
    until_tick: int
    events: Events
    blind: list[tuple[int, int]] = field(default_factory=list)
    wheel: str | None = None
    revolutions: int = 0
    hidden: dict[str, dict[str, float]] | None = None
    limit_deg: float | None = None
    interference: list[dict[str, Any]] = field(default_factory=list)

    def unseen(self, start: int, end: int) -> int:
        """Blind ticks within a stretch of time."""
        return sum(max(min(b, end) - max(a, start), 0) for a, b in self.blind)


class RestWatch:
    """Every channel held to its level."""

    def __init__(self, clock: Clock, channels: Sequence[str], *, continuity: bool = False) -> None:
        self._clock = clock
        self._rest = {FEED: 1} if not continuity else dict.fromkeys(channels, 0)
        self._watches = {name: LevelWatch(clock, name, self._rest.get(name)) for name in channels}

    def feed(self, batch: Batch) -> list[Disturbance]:
        found = []
        for name in batch.edges:
            if name not in self._watches:
                self._watches[name] = LevelWatch(self._clock, name, self._rest.get(name))
        for name, watch in self._watches.items():
            blind = [b for b in batch.blind if b.channel in (None, name)]
            found += watch.feed(edges_of(batch, name), batch.until_tick, blind)
        return found

    def finish(self, until_tick: int) -> list[Disturbance]:
        return [d for watch in self._watches.values() for d in watch.finish(until_tick)]


class BlindTime:
    """Blind stretches of the signal that is watched, merged."""

    def __init__(self, signal: str) -> None:
        self._signal = signal
        self._spans: list[tuple[int, int]] = []

    def add(self, blind: Sequence[Blind]) -> None:
        self._spans += [(b.start_tick, b.end_tick) for b in blind if b.channel in (None, self._signal)]

    def merged(self) -> list[tuple[int, int]]:
        out: list[tuple[int, int]] = []
        for start, end in sorted(self._spans):
            if out and start <= out[-1][1]:
                out[-1] = out[-1][0], max(out[-1][1], end)
            else:
                out.append((start, end))
        self._spans = out
        return out


def look(
    recording: Recording,
    marks: Sequence[Mark],
    *,
    mode: str | None = None,
    wheel: Wheel | None = None,
    cam_wheel: Wheel | None = None,
    open_ended: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Seen:
    """A whole recording. mode: one of MODES; None to tell from the signal whether anything turned.

    open_ended: the recording's format does not say when it ended (see `stretches`).
    progress: called with the tick reached. Raises FileTrouble for a turning wheel that cannot be made out.
    """
    if mode in (None, "turning"):
        seen = _turning(recording, marks, wheel, cam_wheel, progress, sure=mode is not None)
        if seen is not None:
            return seen
    return _rest(recording, marks, open_ended, progress, continuity=mode == "continuity")


def _turning(
    recording: Recording,
    marks: Sequence[Mark],
    wheel: Wheel | None,
    cam_wheel: Wheel | None,
    progress: Callable[[int], None] | None,
    *,
    sure: bool,
) -> Seen | None:
    watch = TurningWatch(recording.clock, recording.channels, wheel, cam_wheel=cam_wheel, source=recording.source)
    examination = watch.examination
    events, blind = Events(recording.clock), BlindTime(examination.crank)
    dense = _Dense(recording.clock, examination.crank)
    for batch in _batches(recording):
        events.add(watch.feed(batch))
        blind.add(batch.blind)
        dense.feed(batch)
        if progress:
            progress(batch.until_tick)
    events.add(watch.finish())
    tally = examination.tally()
    turned = examination.wheel is not None and tally.revolutions >= _FEWEST_TURNS and 4 * tally.seen >= tally.edges
    if not turned:
        if sure or dense.longest > _DENSE:
            raise FileTrouble(
                f"The wheel cannot be made out from {tally.edges:,} crank edges",
                cause="No known wheel fits them" if wheel is None else f"They do not fit the wheel {wheel.name}",
                step="Name the wheel with --wheel; with nothing turning, say --mode rest",
            )
        return None
    assert examination.wheel is not None
    return Seen(
        clock=recording.clock,
        source=recording.source,
        mode="turning",
        channels=recording.channels,
        stretches=stretches(marks, examination.until_tick),
        from_tick=0,
        until_tick=examination.until_tick,
        events=events,
        blind=blind.merged(),
        wheel=examination.wheel.name,
        revolutions=tally.revolutions,
        hidden=watch.hidden.shares(),
        limit_deg=watch.limit_deg,
        interference=name_interference(events),
    )


def _rest(
    recording: Recording,
    marks: Sequence[Mark],
    open_ended: bool,
    progress: Callable[[int], None] | None,
    *,
    continuity: bool,
) -> Seen:
    watch = RestWatch(recording.clock, recording.channels, continuity=continuity)
    names = recording.channels
    events, blind = Events(recording.clock), BlindTime("crank" if "crank" in names or not names else names[0])
    begin = until = 0
    for batch in _batches(recording):
        events.add(watch.feed(batch))
        blind.add(batch.blind)
        until = max(until, batch.until_tick)
        if progress:
            progress(until)
    parts = stretches(marks, until, open_ended=open_ended)
    if open_ended and parts:
        begin, until = min(begin, parts[0].start), max(until, parts[-1].end)
    events.add(watch.finish(until))
    return Seen(
        clock=recording.clock,
        source=recording.source,
        mode="continuity" if continuity else "rest",
        channels=recording.channels,
        stretches=parts,
        from_tick=begin,
        until_tick=until,
        events=events,
        blind=blind.merged(),
    )


def edges_of(batch: Batch, channel: str) -> Edges:
    """A channel's edges in a batch, none where it has none."""
    return batch.edges.get(channel, Edges.none())


def _batches(recording: Recording) -> Iterator[Batch]:
    """A file that tells levels and no change is a silent harness, which is what one hopes for at rest."""
    told = False
    try:
        for batch in recording.batches():
            told = True
            yield batch
    except FileTrouble:
        if not told or recording.source.get("faults"):
            raise


class _Dense:
    """The longest run of edges that follow one another closely."""

    def __init__(self, clock: Clock, channel: str) -> None:
        self._channel, self._near = channel, clock.ticks(_NEAR_S)
        self._last: int | None = None
        self._run = 0
        self.longest = 0

    def feed(self, batch: Batch) -> None:
        ticks = edges_of(batch, self._channel).ticks
        if not len(ticks):
            return
        before = ticks[0] if self._last is None else self._last
        far = np.flatnonzero(np.diff(ticks, prepend=before) > self._near)
        self._last = int(ticks[-1])
        bounds = [0, *far.tolist(), len(ticks)]
        runs = [b - a for a, b in pairwise(bounds)]
        self.longest = max(self.longest, self._run + runs[0], *runs)
        self._run = self._run + runs[0] if len(runs) == 1 else runs[-1]
