"""One channel of a rig, as the host knows it: up to where it is vouched for, and what is blind. Host ticks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Blind, Edges, Levels, Ticks
from toothwise.link.frames import wire

ORDINAL_MASK = wire.SEQUENCE_MASK
_REMEMBERED = 16
"""So many of the rig's own blind stretches are remembered to explain a step in the ordinals."""


@dataclass(slots=True)
class Channel:
    """until: every edge before it was delivered or lies in a blind stretch. last_edge: tick of the last one delivered.

    blind: stretches that are certain and not taken yet.
    """

    name: str
    until: int = 0
    last_edge: int = 0
    blind: list[Blind] = field(default_factory=list)
    _gap: str | None = None  # why the time from `until` on is not vouched for yet
    _ordinal: int | None = None  # what the next edges should begin with; None: not known
    _fresh: list[Edges] = field(default_factory=list)
    _doubts: list[Blind] = field(default_factory=list)  # blind, unless the rig says it held back no edges
    _explained: list[tuple[int, int]] = field(default_factory=list)
    _unexplained: list[tuple[int, int]] = field(default_factory=list)

    @property
    def has_gap(self) -> bool:
        return self._gap is not None

    def mark_gap(self, reason: str) -> None:
        """From `until` on something may be missing, until the next tick the rig vouches for."""
        self._gap = self._gap or reason
        self._ordinal = None

    def vouch(self, until: int) -> None:
        """Every edge before this tick has been sent."""
        if self._gap is not None:
            if until > self.until:
                where = self._doubts if self._gap == "frames_lost" else self.blind
                where.append(Blind(self.until, until, self._gap, self.name))
            self._gap = None
        self.until = max(self.until, until)

    def explain(self, start: int, end: int) -> None:
        """The rig itself was blind here."""
        self._explained = [*self._explained[1 - _REMEMBERED :], (start, end)]

    def settle(self, *, owned_up: bool) -> None:
        """By a heartbeat, all blind stretches before it have been sent: what is unexplained now stays so.

        owned_up: the rig dropped the missing frames itself, and there were no edges in them.
        """
        if not owned_up:
            self.blind += self._doubts
        self._doubts.clear()
        for start, end in self._unexplained:
            if not any(begin < end and start < stop for begin, stop in self._explained):
                self.blind.append(Blind(start, end, "frames_lost", self.name))
        self._unexplained.clear()

    def add(self, ticks: Ticks, levels: Levels, ordinal: int) -> tuple[int, int]:
        """Edges of one frame. Gives how many were lost before them by their ordinal, and how many of them
        contradict what the rig had vouched for and were dropped.
        """
        lost = 0
        if self._ordinal is not None and ordinal != self._ordinal:
            lost = (ordinal - self._ordinal) & ORDINAL_MASK
            self._unexplained.append((self.last_edge, max(int(ticks[0]), self.last_edge + 1)))
        self._ordinal = (ordinal + len(ticks)) & ORDINAL_MASK
        before = len(ticks)
        if ticks[0] < self.until or (before > 1 and bool(np.any(ticks[1:] < ticks[:-1]))):
            ticks, levels = self._without_contradictions(ticks, levels)
        if len(ticks):
            self._fresh.append(Edges(ticks, levels))
            self.last_edge = self.until = int(ticks[-1])  # another edge may share its tick
        return lost, before - len(ticks)

    def _without_contradictions(self, ticks: Ticks, levels: Levels) -> tuple[Ticks, Levels]:
        highest = np.maximum.accumulate(np.concatenate([[self.until], ticks]))[:-1]
        good = ticks >= highest
        dropped = ticks[~good]
        # Nothing of this channel was delivered after its last edge: blindness may begin there, though it is late.
        start = max(int(dropped.min()), self.last_edge)
        self.blind.append(Blind(start, max(int(dropped.max()), start) + 1, "frames_lost", self.name))
        return ticks[good], levels[good]

    def take(self, until: int) -> Edges | None:
        """The edges before `until` that were not taken yet; None where there are none."""
        if not self._fresh:
            return None
        whole = self._fresh[0] if len(self._fresh) == 1 else Edges.join(self._fresh)
        cut = int(np.searchsorted(whole.ticks, until))
        self._fresh = [Edges(whole.ticks[cut:], whole.levels[cut:])] if cut < len(whole) else []
        return Edges(whole.ticks[:cut], whole.levels[:cut]) if cut else None


def widen(words: NDArray[np.uint32], flags: int, base: int, phase: int) -> Ticks:
    """`wire.widen` on a whole array: int64 ticks, shape (n,)."""
    time = (words >> 1).astype(np.int64)
    if flags & wire.COUNTS_DOWN:
        time ^= wire.TIME_MASK
    time += wire.SLACK_TICKS - phase
    time &= wire.TIME_MASK
    time += base - wire.SLACK_TICKS
    return time


def gathered(blind: Iterable[Blind], names: Iterable[str]) -> tuple[Blind, ...]:
    """In order of time; one stretch for all channels in place of the same stretch for each of them."""
    same: dict[tuple[int, int, str], list[Blind]] = {}
    for stretch in blind:
        same.setdefault((stretch.start_tick, stretch.end_tick, stretch.reason), []).append(stretch)
    out: list[Blind] = []
    every = set(names)
    for (start, end, reason), stretches in same.items():
        channels = {stretch.channel for stretch in stretches}
        if None in channels or channels >= every:
            out.append(Blind(start, end, reason))
        else:
            out += stretches
    return tuple(sorted(out, key=lambda stretch: stretch.start_tick))
