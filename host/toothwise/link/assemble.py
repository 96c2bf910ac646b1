"""Frames to batches: orders what came, and turns everything that did not come into blind stretches.

Rules, from `firmware/PROTOCOL.md`:

- `until` of a channel: every edge before it was delivered or lies in a blind stretch. It rises with a
  heartbeat's `until`, with the base of an edges frame, and with each edge.
- A step in the sequence of more than 1, a frame whose content makes no sense, a lost line or a reset: each
  channel is blind from its `until` to the next tick the rig vouches for.
- Except where the rig says, by the next heartbeat, that it dropped just so many frames itself: it never drops
  edges or blind stretches, so nothing of that kind was in them.
- A step in a channel's ordinals that no blind stretch of the rig explains by the next heartbeat: blind from
  the last edge before to the first after.
- A repeated or older frame is dropped. An edge before its channel's `until` contradicts what the rig vouched
  for: it is dropped and its moment is blind, late as it is. Ticks of a channel thus never fall, whatever comes in.
- A rig that begins anew (another `boot`) gets its ticks shifted so that the recording's time goes on by the
  host's clock.

No port, no thread, no clock of its own: `now_s` is handed in, so that a test can be its own time.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

import numpy as np

from toothwise.edges.signal import Batch, Blind, Edges, Ticks
from toothwise.link.decode import Decoder
from toothwise.link.frames import reasons, wire
from toothwise.link.hello import Hello, read_hello
from toothwise.link.notes import Fault, Happening, LinkStats, Note, Reading

_ORDINAL_MASK = wire.SEQUENCE_MASK
_LAST_TICK = 1 << 61
_REMEMBERED = 16
"""So many of a channel's blind stretches are remembered to explain a step in its ordinals."""


@dataclass(slots=True)
class _Channel:
    name: str
    until: int = 0
    last_edge: int = 0
    ordinal: int | None = None  # what the next edges frame should say; None: not known
    gap: str | None = None  # why the time from `until` on is not vouched for yet
    fresh: list[Edges] = field(default_factory=list)
    doubts: list[Blind] = field(default_factory=list)  # blind, unless the rig says it held back no edges
    explained: list[tuple[int, int]] = field(default_factory=list)
    unexplained: list[tuple[int, int]] = field(default_factory=list)


class Assembler:
    """Bytes in, batches, notes and answers out. Host ticks: 0 is the moment the capture began."""

    def __init__(self, *, ends_with_stream: bool = False) -> None:
        """ends_with_stream: what a rig without a board replays is all there is; what comes after is left out."""
        self.hello: Hello | None = None
        self.stats = LinkStats()
        self.notes: list[Note] = []
        self.answers: list[str] = []
        self.levels = 0
        """Level of each channel at the last heartbeat: bit n is channel n."""
        self.may_begin = False
        """Set by the owner once somebody takes the batches; until then a running capture is left alone."""
        self.heartbeats = 0
        self.wants_start = False
        """The rig is known and does not capture for us yet: send `start`."""
        self.refusal: str | None = None
        """The reason's name, when the rig refused to start."""
        self.ended = False
        """The stream a rig without a board replays is over, and all of it was delivered."""
        self._ends_with_stream = ends_with_stream
        self._decoder = Decoder()
        self._channels: list[_Channel] = []
        self._blind: list[Blind] = []
        self._offset: int | None = None  # host tick = rig tick + offset; None: not capturing for us yet
        self._begun = False
        self._joins = False  # the rig was capturing when we met it: begin with its next heartbeat
        self._boot: int | None = None
        self._sequence: int | None = None
        self._anchor: tuple[int, float] = (0, 0.0)  # host tick, and the host's time when it was heard
        self._end: int | None = None
        self._emitted = 0
        self._lost = 0  # frames, by the sequence or by their content, since the last heartbeat
        self._told = 0  # frames the rig says it dropped, since the last heartbeat
        self._now_s = 0.0

    # What comes in

    def feed(self, data: bytes, now_s: float) -> None:
        """Bytes from the line, as they came. `now_s`: the host's monotonic clock."""
        self._now_s = now_s
        self.stats.bytes += len(data)
        garbage, bad_crc = self._decoder.garbage_bytes, self._decoder.bad_crc
        for protocol, kind, sequence, payload in self._decoder.feed(data):
            self.stats.frames += 1
            if kind == wire.HELLO:
                self._on_hello(payload, protocol)
            if protocol == wire.PROTOCOL:
                self._frame(kind, sequence, payload)
        self.stats.garbage_bytes += self._decoder.garbage_bytes - garbage
        self.stats.bad_crc += self._decoder.bad_crc - bad_crc

    def line_lost(self) -> None:
        """The port went away: nothing is vouched for until the rig is heard again."""
        self._decoder = Decoder()
        self._sequence = None
        self._boot = None
        self._mark_gap("link_lost")

    def _frame(self, kind: int, sequence: int, payload: bytes) -> None:
        try:
            if kind == wire.HEARTBEAT:
                self._meet(wire.read_heartbeat(payload)[2])
            if self._boot is None or not self._in_sequence(sequence):
                return
            reader = _READERS.get(kind)
            if reader is not None:
                reader(self, payload)
        except (struct.error, ValueError, OverflowError):
            self.stats.unreadable_frames += 1
            self._lost += 1
            self._mark_gap("frames_lost")

    def _in_sequence(self, sequence: int) -> bool:
        """False for a frame to be dropped; marks the gap before one that came after others were lost."""
        before, self._sequence = self._sequence, sequence
        if before is None:
            return True
        step = wire.sequence_step(before, sequence)
        if step == 0 or step > wire.SEQUENCE_MASK // 2:
            self._sequence = before
            self.stats.repeated_frames += 1
            return False
        if step > 1:
            self.stats.lost_frames += step - 1
            self._lost += step - 1
            self._mark_gap("frames_lost")
        return True

    def _mark_gap(self, reason: str) -> None:
        for channel in self._channels:
            channel.gap = channel.gap or reason
            channel.ordinal = None

    def _meet(self, boot: int) -> None:
        """The rig named its start: a new one means that it began anew."""
        known = self.hello.boot if self.hello else None
        if boot == self._boot:
            return
        self._boot = boot
        if self._begun and boot != known:
            self.stats.resets += 1
            self._sequence = None
            self._mark_gap("rig_reset")
            self._offset = None
            self._joins = False
            self.wants_start = True

    # Frames by type

    def _on_hello(self, payload: bytes, protocol: int) -> None:
        try:
            hello = read_hello(payload, protocol)
        except ValueError:
            self.stats.unreadable_frames += 1
            return
        first = self.hello is None
        if not first and protocol == wire.PROTOCOL:
            self._meet(hello.boot)
        self.hello = hello
        self._boot = hello.boot
        if first:
            self._channels = [_Channel(name) for name in hello.channels]
        self._joins = hello.capturing
        self.wants_start = not hello.capturing

    def _on_answer(self, payload: bytes) -> None:
        text = payload.decode("utf-8", "replace")
        self.answers.append(text)
        words = text.split()
        if words[:2] == ["start", "error"]:
            self.refusal = " ".join(words[2:]) or "no reason given"
        elif words[:2] == ["start", "ok"] and self._offset is None and self.hello is not None:
            ticks = [word[5:] for word in words if word.startswith("tick=")]
            if ticks and ticks[0].isdecimal():
                self._begin(int(ticks[0]))

    def _begin(self, rig_tick: int) -> None:
        """From this rig tick on the capture is ours."""
        self.wants_start = False
        start = max([self._emitted, *(channel.until for channel in self._channels)])
        if self._begun:
            start = max(start, self.now_tick())
        self._offset = start - rig_tick
        self._begun = True
        self._anchor = (start, self._now_s)
        for channel in self._channels:
            self._vouch(channel, start)

    def _on_heartbeat(self, payload: bytes) -> None:
        tick, _, _, levels, _, until = wire.read_heartbeat(payload)
        if self.hello is None:
            return
        if len(until) != len(self._channels) or max(until) > tick or tick > _LAST_TICK:
            raise ValueError("a heartbeat that does not fit the hello or itself")
        self.heartbeats += 1
        if self._joins and self.may_begin and self._offset is None:
            self._begin(max(until))
        offset = self._offset
        if offset is None:
            return
        self._anchor = (tick + offset, self._now_s)
        self.levels = levels
        for channel, vouched in zip(self._channels, until, strict=True):
            self._vouch(channel, vouched + offset)
            self._settle(channel)
        self._lost = self._told = 0
        if self._end is not None and all(channel.until >= self._end for channel in self._channels):
            self.ended = True

    def _settle(self, channel: _Channel) -> None:
        """By a heartbeat, all blind stretches before it have been sent: what is unexplained now stays so."""
        if self._lost != self._told:
            self._blind += channel.doubts
        channel.doubts.clear()
        for start, end in channel.unexplained:
            if not any(begin < end and start < stop for begin, stop in channel.explained):
                self._blind.append(Blind(start, end, "frames_lost", channel.name))
        channel.unexplained.clear()

    def _vouch(self, channel: _Channel, until: int) -> None:
        """Every edge of the channel before this tick has been sent."""
        if channel.gap is not None:
            if until > channel.until:
                doubtful = channel.doubts if channel.gap == "frames_lost" else self._blind
                doubtful.append(Blind(channel.until, until, channel.gap, channel.name))
            channel.gap = None
        channel.until = max(channel.until, until)

    def _on_edges(self, payload: bytes) -> None:
        number, flags, base, phase, ordinal, words = wire.read_edges(payload)
        channel = self._channel(number)
        if base > _LAST_TICK:
            raise ValueError("a tick of thousands of years")
        if self._offset is None:
            return
        self._vouch(channel, base + self._offset)
        if not words:
            return
        raw = np.frombuffer(words, "<u4")
        ticks = _widen(raw, flags, base, phase) + self._offset
        levels = (raw & 1).astype(np.uint8)
        if channel.ordinal is not None and ordinal != channel.ordinal:
            self.stats.lost_edges += (ordinal - channel.ordinal) & _ORDINAL_MASK
            channel.unexplained.append((channel.last_edge, max(int(ticks[0]), channel.last_edge + 1)))
        channel.ordinal = (ordinal + len(raw)) & _ORDINAL_MASK
        if ticks[0] < channel.until or (len(ticks) > 1 and bool(np.any(ticks[1:] < ticks[:-1]))):
            ticks, levels = self._without_contradictions(channel, ticks, levels)
            if not len(ticks):
                return
        channel.fresh.append(Edges(ticks, levels))
        channel.last_edge = int(ticks[-1])
        channel.until = channel.last_edge  # another edge may share its tick
        self.stats.edges += len(ticks)

    def _without_contradictions(
        self, channel: _Channel, ticks: Ticks, levels: np.ndarray[tuple[int], np.dtype[np.uint8]]
    ) -> tuple[Ticks, np.ndarray[tuple[int], np.dtype[np.uint8]]]:
        highest = np.maximum.accumulate(np.concatenate([[channel.until], ticks]))[:-1]
        good = ticks >= highest
        dropped = ticks[~good]
        self.stats.contradicting_edges += len(dropped)
        # Nothing of this channel was delivered after its last edge: blindness may begin there, though it is late.
        start = max(int(dropped.min()), channel.last_edge)
        self._blind.append(Blind(start, max(int(dropped.max()), start) + 1, "frames_lost", channel.name))
        return ticks[good], levels[good]

    def _on_blind(self, payload: bytes) -> None:
        number, reason, start, end, lost = wire.read_blind(payload)
        if self._offset is None:
            return
        everywhere = number == wire.ALL_CHANNELS
        concerned = self._channels if everywhere else [self._channel(number)]
        start, end = max(start + self._offset, 0), end + self._offset
        if end <= start:
            return
        name = wire.REASONS.get(reason, f"reason_{reason}")
        self._blind.append(Blind(start, end, name, None if everywhere else concerned[0].name))
        self.stats.lost_edges += lost
        for channel in concerned:
            channel.explained = [*channel.explained[1 - _REMEMBERED :], (start, end)]

    def _on_counters(self, payload: bytes) -> None:
        _, dropped, _, _, rows = wire.read_counters(payload)
        self.stats.rig_dropped_frames = dropped
        self.stats.rig_missed_edges = sum(row[2] for row in rows)

    def _on_analogue(self, payload: bytes) -> None:
        tick, feed_mv, raw = wire.read_analogue(payload)
        if self._offset is not None:
            feed_v = None if feed_mv < 0 else feed_mv / 1000
            self.notes.append(Reading(tick + self._offset, feed_v, None if raw < 0 else raw))

    def _on_fault(self, payload: bytes) -> None:
        reason, channel, value, tick = wire.read_fault(payload)
        name = wire.REASONS.get(reason, f"reason_{reason}")
        if name == "frames_dropped":
            self._told += value
        host_tick = tick + self._offset if self._offset is not None else 0
        self.notes.append(Fault(name, reasons.HINTS.get(name, ""), channel, value, host_tick))
        if name == "source_end" and self._ends_with_stream and self._offset is not None:
            self._end = host_tick

    def _on_event(self, payload: bytes) -> None:
        kind, channel, level, count, tick, end = wire.read_event(payload)
        if self._offset is not None:
            name = wire.EVENTS.get(kind, f"event_{kind}")
            self.notes.append(Happening(name, channel, level, count, tick + self._offset, end + self._offset))

    def _channel(self, number: int) -> _Channel:
        if number >= len(self._channels):
            raise ValueError(f"channel {number} is not in the hello")
        return self._channels[number]

    # What goes out

    def now_tick(self) -> int:
        """The host tick by the host's clock, from the last heartbeat on."""
        tick, then_s = self._anchor
        if self.hello is None:
            return tick
        return tick + max(0, self.hello.clock.ticks(self._now_s - then_s))

    def take(self) -> Batch | None:
        """What became certain since the last call; None when nothing did."""
        if not self._begun:
            return None
        until = min(channel.until for channel in self._channels)
        if self._end is not None:
            until = min(until, max(self._end, self._emitted))
        if until <= self._emitted and not self._blind:
            return None
        edges: dict[str, Edges] = {}
        for channel in self._channels:
            if not channel.fresh:
                continue
            whole = channel.fresh[0] if len(channel.fresh) == 1 else Edges.join(channel.fresh)
            cut = int(np.searchsorted(whole.ticks, until))
            if cut:
                edges[channel.name] = Edges(whole.ticks[:cut], whole.levels[:cut])
            channel.fresh = [Edges(whole.ticks[cut:], whole.levels[cut:])] if cut < len(whole) else []
        blind = _gathered(self._blind, [channel.name for channel in self._channels])
        self._blind = []
        self._emitted = until
        return Batch(until, edges, blind)

    def close(self, now_s: float) -> Batch | None:
        """The last batch: where a gap is still open, it is blind up to now."""
        self._now_s = now_s
        if not self._begun:
            return None
        if any(channel.gap is not None for channel in self._channels):
            now = self.now_tick()
            for channel in self._channels:
                self._vouch(channel, now)
        for channel in self._channels:
            self._settle(channel)
        return self.take()


def _gathered(blind: list[Blind], names: list[str]) -> tuple[Blind, ...]:
    """One stretch for all channels in place of the same stretch for each of them."""
    same: dict[tuple[int, int, str], list[Blind]] = {}
    for stretch in blind:
        same.setdefault((stretch.start_tick, stretch.end_tick, stretch.reason), []).append(stretch)
    out: list[Blind] = []
    for (start, end, reason), stretches in same.items():
        channels = {stretch.channel for stretch in stretches}
        if None in channels or channels >= set(names):
            out.append(Blind(start, end, reason))
        else:
            out += stretches
    return tuple(sorted(out, key=lambda stretch: stretch.start_tick))


def _widen(words: np.ndarray[tuple[int], np.dtype[np.uint32]], flags: int, base: int, phase: int) -> Ticks:
    """`wire.widen` on a whole array: int64 ticks, shape (n,)."""
    time = (words >> 1).astype(np.int64)
    if flags & wire.COUNTS_DOWN:
        time ^= wire.TIME_MASK
    time += wire.SLACK_TICKS - phase
    time &= wire.TIME_MASK
    time += base - wire.SLACK_TICKS
    return time


_READERS = {
    wire.EDGES: Assembler._on_edges,
    wire.HEARTBEAT: Assembler._on_heartbeat,
    wire.COUNTERS: Assembler._on_counters,
    wire.BLIND: Assembler._on_blind,
    wire.ANALOGUE: Assembler._on_analogue,
    wire.FAULT: Assembler._on_fault,
    wire.ANSWER: Assembler._on_answer,
    wire.EVENT: Assembler._on_event,
}
