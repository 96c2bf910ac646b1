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
from operator import attrgetter

from toothwise.edges.signal import Batch, Blind
from toothwise.link.channel import Channel, gathered
from toothwise.link.decode import Decoder
from toothwise.link.frames import reasons, wire
from toothwise.link.hello import Hello, read_hello
from toothwise.link.notes import Fault, Happening, LinkStats, Note, Reading

_LAST_TICK = 1 << 61


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
        self._channels: list[Channel] = []
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
        if step == 1:
            return True
        if step == 0 or step > wire.SEQUENCE_MASK // 2:
            self._sequence = before
            self.stats.repeated_frames += 1
            return False
        self.stats.lost_frames += step - 1
        self._lost += step - 1
        self._mark_gap("frames_lost")
        return True

    def _mark_gap(self, reason: str) -> None:
        for channel in self._channels:
            channel.mark_gap(reason)

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
            self._channels = [Channel(name) for name in hello.channels]
        self._joins = hello.capturing
        self.wants_start = not hello.capturing

    def _on_answer(self, payload: bytes) -> None:
        text = payload.decode("utf-8", "replace")
        self.answers.append(text)
        words = text.split()
        if words[:2] == ["start", "error"]:
            self.refusal = " ".join(words[2:]) or "no reason given"
        elif words[:2] == ["start", "ok"] and self.hello is not None:
            self.wants_start = False
            ticks = [word[5:] for word in words if word.startswith("tick=")]
            if self._offset is None and ticks and ticks[0].isdecimal():
                self._begin(_possible(int(ticks[0])))

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
            channel.vouch(start)

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
            channel.vouch(vouched + offset)
            channel.settle(owned_up=self._lost == self._told)
        self._lost = self._told = 0
        if self._end is not None:
            self._settle_edges()
            self.ended = self.ended or all(channel.until >= self._end for channel in self._channels)

    def _on_edges(self, payload: bytes) -> None:
        number, flags, base, phase, ordinal, words = wire.read_edges(payload)
        channel = self._channel(number)
        if self._offset is None:
            return
        channel.vouch(_possible(base) + self._offset)
        if words:
            self.stats.lost_edges += channel.add(words, flags, base, phase, ordinal, self._offset)
            self.stats.edges += len(words) // 4

    def _vouched(self) -> int:
        """Up to where all channels are vouched for. Only where a channel holds up the others are its edges looked at:
        the more of them wait, the less each costs."""
        while True:
            last = min(self._channels, key=_until)
            if not last.settle_edges():
                return last.until

    def _settle_edges(self) -> None:
        for channel in self._channels:
            channel.settle_edges()
            if channel.contradicting:
                self.stats.contradicting_edges += channel.contradicting
                self.stats.edges -= channel.contradicting
                channel.contradicting = 0

    def _on_blind(self, payload: bytes) -> None:
        number, reason, start, end, lost = wire.read_blind(payload)
        if self._offset is None:
            return
        everywhere = number == wire.ALL_CHANNELS
        concerned = self._channels if everywhere else [self._channel(number)]
        start, end = max(start + self._offset, 0), _possible(end) + self._offset
        if end <= start:
            return
        name = wire.REASONS.get(reason, f"reason_{reason}")
        self._blind.append(Blind(start, end, name, None if everywhere else concerned[0].name))
        self.stats.lost_edges += lost
        for channel in concerned:
            channel.explain(start, end)

    def _on_counters(self, payload: bytes) -> None:
        _, dropped, _, _, rows = wire.read_counters(payload)
        self.stats.rig_dropped_frames = dropped
        self.stats.rig_missed_edges = sum(row[2] for row in rows)

    def _on_analogue(self, payload: bytes) -> None:
        tick, feed_mv, raw = wire.read_analogue(payload)
        if self._offset is not None:
            feed_v = None if feed_mv < 0 else feed_mv / 1000
            self.notes.append(Reading(_possible(tick) + self._offset, feed_v, None if raw < 0 else raw))

    def _on_fault(self, payload: bytes) -> None:
        reason, channel, value, tick = wire.read_fault(payload)
        name = wire.REASONS.get(reason, f"reason_{reason}")
        if name == "frames_dropped":
            self._told += value
        host_tick = _possible(tick) + self._offset if self._offset is not None else 0
        self.notes.append(Fault(name, reasons.HINTS.get(name, ""), channel, value, host_tick))
        if name == "source_end" and self._ends_with_stream and self._offset is not None:
            self._end = host_tick

    def _on_event(self, payload: bytes) -> None:
        kind, channel, level, count, tick, end = wire.read_event(payload)
        if self._offset is not None:
            name = wire.EVENTS.get(kind, f"event_{kind}")
            tick, end = _possible(tick) + self._offset, _possible(end) + self._offset
            self.notes.append(Happening(name, channel, level, count, tick, end))

    def _channel(self, number: int) -> Channel:
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
        until = self._vouched()
        if self._end is not None:
            until = min(until, max(self._end, self._emitted))
        if until > self._emitted:
            self._settle_edges()
        blind = self._blind + [stretch for channel in self._channels for stretch in channel.blind]
        if until <= self._emitted and not blind:
            return None
        edges = {}
        for channel in self._channels:
            taken = channel.take(until)
            if taken is not None:
                edges[channel.name] = taken
            channel.blind.clear()
        self._blind.clear()
        self._emitted = until
        return Batch(until, edges, gathered(blind, [channel.name for channel in self._channels]))

    def close(self, now_s: float) -> Batch | None:
        """The last batch: where a gap is still open, it is blind up to now."""
        self._now_s = now_s
        if not self._begun:
            return None
        now = self.now_tick()
        self._settle_edges()
        for channel in self._channels:
            if channel.has_gap:
                channel.vouch(now)
            channel.settle(owned_up=self._lost == self._told)
        return self.take()


def _possible(tick: int) -> int:
    """The tick itself. Raises ValueError for one of thousands of years, which no array could hold with an offset."""
    if tick > _LAST_TICK:
        raise ValueError(f"tick {tick}")
    return tick


_until = attrgetter("until")
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
