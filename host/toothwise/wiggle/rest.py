"""A line that should hold its level: every time it leaves it, from edge to edge.

Where it rests is the level it held longest in its first STAYS_S from its first edge on (a feed rests high, a fed
conductor low, without looking). The edge to that level is no disturbance when it is the first one of all: files tell
levels at their start, and a rig may be clipped on while the line is away.

A line that is away before and after a blind stretch was away throughout, as far as anyone can tell: its duration then
has two bounds. A line that stays away for STAYS_S rests there from then on, and may come home in silence: a key that
was turned, a wire that broke for good. That is one event, at least so long.
"""

from __future__ import annotations

from collections.abc import Sequence

from toothwise.edges.signal import Blind, Clock, Edges
from toothwise.wiggle import rules
from toothwise.wiggle.disturbance import Disturbance


class LevelWatch:
    """One channel. The same however the stream is cut.

    rest: the level it rests at, where that is known beforehand.
    """

    def __init__(self, clock: Clock, channel: str, rest: int | None = None) -> None:
        self.channel = channel
        self._stays = clock.ticks(rules.STAYS_S)
        self._rest = rest
        self._home = rest
        self._waiting: list[tuple[int, int]] = []  # edges before it is known where the line rests
        self._since: int | None = None  # when it left
        self._hidden = (0, 0)  # blind since it left: ticks, and the end of the time that was seen before
        self._known = False  # whether an edge told the level since the start, or since the last blind stretch
        self._edge_tick = 0
        self._blind: list[Blind] = []

    @property
    def away(self) -> bool:
        """Whether the line is away now, as far as is known."""
        return self._since is not None

    def feed(self, edges: Edges, until_tick: int, blind: Sequence[Blind] = ()) -> list[Disturbance]:
        """Edges in order of time, how far the channel is known, and blind stretches that became known."""
        self._blind = sorted([*self._blind, *blind], key=lambda b: b.start_tick)
        self._waiting += zip(edges.ticks.tolist(), edges.levels.tolist(), strict=True)
        if self._rest is None and not self._settle(until_tick, final=False):
            return []
        return self._work(until_tick)

    def finish(self, until_tick: int) -> list[Disturbance]:
        """What is still away at the end was away at least until then."""
        if self._rest is None and not self._settle(until_tick, final=True):
            return []
        found = self._work(until_tick)
        if self._since is not None and until_tick > self._since:
            found.append(self._left(self._since, until_tick, stays=True))
            self._since = None
        return found

    def _settle(self, until_tick: int, *, final: bool) -> bool:
        """Find out where the line rests, once enough of it is known."""
        if not self._waiting or (not final and until_tick - self._waiting[0][0] < self._stays):
            return False
        end = self._waiting[0][0] + self._stays if not final else until_tick
        held = [0, 0]
        for (tick, level), (after, _) in zip(self._waiting, [*self._waiting[1:], (end, 0)], strict=True):
            held[level] += max(min(after, end) - tick, 0)
        first = self._waiting[0][1]
        # With nothing to choose between, the line rests where it was before its first edge.
        self._rest = self._home = int(held[1] > held[0]) if held[0] != held[1] else 1 - first
        return True

    def _work(self, until_tick: int) -> list[Disturbance]:
        found: list[Disturbance] = []
        for tick, level in self._waiting:
            found += self._pass_blind(tick)
            found += self._settle_away(tick)
            found += self._edge(tick, level)
        self._waiting = []
        found += self._pass_blind(until_tick)
        return found + self._settle_away(until_tick)

    def _edge(self, tick: int, level: int) -> list[Disturbance]:
        known, self._known, before, self._edge_tick = self._known, True, self._edge_tick, tick
        if level != self._rest:
            found = []
            if self._since is not None and not known:  # it came back while nobody looked, and left again
                found = [self._left(self._since, self._hidden[1])]
                self._since = None
            if self._since is None:
                self._since, self._hidden = tick, (0, tick)
            return found  # else the edge between was lost: away all the same
        if self._since is not None:
            left, self._since = self._since, None
            return [self._left(left, tick)]
        if known:  # the edge away was lost by the recorder
            return [Disturbance("level", self.channel, tick, tick, 0, tick - before, 1 - level)]
        return []

    def _settle_away(self, tick: int) -> list[Disturbance]:
        if self._since is None or tick - self._since <= self._stays:
            return []
        since, self._since = self._since, None
        away = 1 - self._rest if self._rest is not None else 0
        event = [self._left(since, since + self._stays, stays=True)] if away != self._home else []
        self._rest = away
        return event

    def _pass_blind(self, tick: int) -> list[Disturbance]:
        found: list[Disturbance] = []
        while self._blind and self._blind[0].start_tick < tick:
            blind = self._blind.pop(0)
            self._known = False
            if self._since is not None:
                ticks, seen = self._hidden
                seen = max(blind.start_tick, seen) if not ticks else seen
                self._hidden = (ticks + blind.end_tick - max(blind.start_tick, self._since), seen)
                if blind.end_tick - blind.start_tick > self._stays:
                    found.append(self._left(self._since, seen, stays=True))
                    self._since = None
        return found

    def _left(self, start: int, end: int, *, stays: bool = False) -> Disturbance:
        held = None if self._rest is None else 1 - self._rest
        hidden = self._hidden[0] if end > self._hidden[1] else 0
        least = max(end - start - hidden, 0)
        return Disturbance("level", self.channel, start, end, least, end - start, held, stays=stays)
