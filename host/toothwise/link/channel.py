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


_Frame = tuple[bytes, int, int, int]
"""Words as captured, their base and phase, and `until` when they came. Ticks of the rig, but for `until`."""


@dataclass(slots=True)
class Channel:
    """until: every edge before it was delivered or lies in a blind stretch. last_edge: tick of the last one delivered.

    blind: stretches that are certain and not taken yet. contradicting: edges that were dropped because they contradict
    what the rig had vouched for.

    Frames of edges that come close together are looked at together, by `settle_edges`; until then `until` and
    `last_edge` may be too low.
    """

    name: str
    until: int = 0
    last_edge: int = 0
    blind: list[Blind] = field(default_factory=list)
    contradicting: int = 0
    _gap: str | None = None  # why the time from `until` on is not vouched for yet
    _flags: int = 0
    _offset: int = 0  # host tick = rig tick + offset
    _ordinal: int | None = None  # what the next edges should begin with; None: not known
    _frames: list[_Frame] = field(default_factory=list)  # not looked at yet
    _fresh: list[Edges] = field(default_factory=list)
    _doubts: list[Blind] = field(default_factory=list)  # blind, unless the rig says it held back no edges
    _explained: list[tuple[int, int]] = field(default_factory=list)
    _unexplained: list[tuple[int, int]] = field(default_factory=list)

    @property
    def has_gap(self) -> bool:
        return self._gap is not None

    def mark_gap(self, reason: str) -> None:
        """From `until` on something may be missing, until the next tick the rig vouches for."""
        self.settle_edges()
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

    def add(self, words: bytes, flags: int, base: int, phase: int, ordinal: int, offset: int) -> int:
        """Edges of one frame, as captured. Gives how many were lost before them, by their ordinal."""
        if flags != self._flags or offset != self._offset:
            self.settle_edges()
            self._flags, self._offset = flags, offset
        lost = 0
        if ordinal != self._ordinal and self._ordinal is not None:
            lost = (ordinal - self._ordinal) & ORDINAL_MASK
            self.settle_edges()
            first = wire.widen(int.from_bytes(words[:4], "little"), flags, base, phase) + offset
            self._unexplained.append((self.last_edge, max(first, self.last_edge + 1)))
        self._ordinal = (ordinal + len(words) // 4) & ORDINAL_MASK
        self._frames.append((words, base, phase, self.until))
        return lost

    def settle_edges(self) -> bool:
        """Look at the edges that came since the last time, all at once where they are in order, as they always should
        be. Tells whether there were any.
        """
        if not self._frames:
            return False
        frames, self._frames = self._frames, []
        many = [len(frame[0]) // 4 for frame in frames]
        raw = np.frombuffer(b"".join([frame[0] for frame in frames]), "<u4")
        base, phase, until = np.array([frame[1:] for frame in frames]).T
        ticks = widen(raw, many, self._flags, base + self._offset, phase)
        in_order = bool((ticks[np.cumsum(many) - many] >= until).all())
        levels = (raw & 1).astype(np.uint8)
        if in_order and bool((ticks[1:] >= ticks[:-1]).all()):
            self._deliver(ticks, levels)
            return True
        end = 0
        for count, frame in zip(many, frames, strict=True):
            start, end = end, end + count
            self._deliver(*self._without_contradictions(ticks[start:end], levels[start:end], frame[3]))
        return True

    def _deliver(self, ticks: Ticks, levels: Levels) -> None:
        if len(ticks):
            self._fresh.append(Edges(ticks, levels))
            self.last_edge = int(ticks[-1])
            self.until = max(self.until, self.last_edge)  # another edge may share its tick

    def _without_contradictions(self, ticks: Ticks, levels: Levels, until: int) -> tuple[Ticks, Levels]:
        """Those of one frame that do not go back, neither behind each other nor behind what was vouched for."""
        highest = np.maximum.accumulate(np.concatenate([[max(until, self.last_edge)], ticks]))[:-1]
        good = ticks >= highest
        dropped = ticks[~good]
        if not len(dropped):
            return ticks, levels
        self.contradicting += len(dropped)
        # Nothing of this channel was delivered after its last edge: blindness may begin there, though it is late.
        start = max(int(dropped.min()), self.last_edge)
        self.blind.append(Blind(start, max(int(dropped.max()), start) + 1, "frames_lost", self.name))
        return ticks[good], levels[good]

    def take(self, until: int) -> Edges | None:
        """The edges before `until` that were not taken yet; None where there are none."""
        if not self._fresh:
            return None
        whole = self._fresh[0] if len(self._fresh) == 1 else Edges.join(self._fresh)
        if whole.ticks[-1] < until:
            self._fresh = []
            return whole
        cut = int(np.searchsorted(whole.ticks, until))
        self._fresh = [Edges(whole.ticks[cut:], whole.levels[cut:])] if cut < len(whole) else []
        return Edges(whole.ticks[:cut], whole.levels[:cut]) if cut else None


def widen(words: NDArray[np.uint32], many: list[int], flags: int, base: Ticks, phase: Ticks) -> Ticks:
    """`wire.widen` on the words of several frames at once: int64 ticks, shape (n,).

    many: words of each frame. base, phase: int64, one a frame. Down to 31 bits, numbers of 32 do, at half the cost.
    """
    time = words >> 1
    if flags & wire.COUNTS_DOWN:
        time ^= wire.TIME_MASK
    time += np.repeat((wire.SLACK_TICKS - phase).astype(np.uint32), many)
    time &= wire.TIME_MASK
    return time + np.repeat(base - wire.SLACK_TICKS, many)


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
