"""The sensor's feed, watched as a level: each stretch for which it was low."""

from __future__ import annotations

from collections.abc import Sequence

from toothwise.edges.signal import Blind, Edges
from toothwise.records import Event

_UNKNOWN, _LOW, _HIGH = -1, 0, 1


class FeedWatch:
    """Turns the feed channel's edges into `feed_low` events, each when it is over.

    A feed that is low from the recording's start until it first comes up is no event: nobody has switched it
    on yet. After a blind stretch the level is unknown until the next edge; if that one rises, the feed was
    low from the end of the blind stretch. A low stretch that runs into a blind one ends where the blindness
    begins.
    """

    def __init__(self, channel: str = "feed") -> None:
        self._channel = channel
        self._level = _UNKNOWN
        self._since = 0
        self._ever_high = False
        self._blind: list[Blind] = []

    @property
    def low(self) -> bool:
        """Whether it is low now, as far as is known."""
        return self._level == _LOW

    def feed(self, edges: Edges, until_tick: int, blind: Sequence[Blind] = ()) -> list[Event]:
        """Edges in order of time, how far the channel is known, and blind stretches that became known."""
        self._blind = sorted([*self._blind, *blind], key=lambda b: b.start_tick)
        events: list[Event] = []
        for tick, level in zip(edges.ticks.tolist(), edges.levels.tolist(), strict=True):
            events += self._pass_blind(tick)
            if level == _LOW:
                if self._level == _LOW:  # the rise between was lost: how long it was low is not known
                    events += self._over(self._since)
                self._since = tick
                self._ever_high = True
            else:
                if self._level == _HIGH:  # the fall was lost: it was low for some time before this
                    self._since = tick
                if self._ever_high:
                    events += self._over(tick)
                self._ever_high = True
            self._level = level
        return events + self._pass_blind(until_tick)

    def finish(self, until_tick: int) -> list[Event]:
        """What was still low at the end."""
        events = self._pass_blind(until_tick)
        if self._level == _LOW:
            events += self._over(until_tick)
        return events

    def _pass_blind(self, tick: int) -> list[Event]:
        events: list[Event] = []
        while self._blind and self._blind[0].start_tick < tick:
            blind = self._blind.pop(0)
            if self._level == _LOW and blind.start_tick > self._since:
                events += self._over(blind.start_tick)
            self._level = _UNKNOWN
            self._since = max(self._since, blind.end_tick)
        return events

    def _over(self, end_tick: int) -> list[Event]:
        return [Event("feed_low", self._channel, self._since, end_tick, level=0)]
