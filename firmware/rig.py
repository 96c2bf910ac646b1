"""The loop: edges to frames, heartbeats, commands, panel. Bounded work a turn, and it never waits for the host.

Order that the host may rely on: a channel's blind stretch is sent before any edge after it, and its `until`
stands still until that is done. So nothing the rig lost can ever look like silence.
"""

import commands
import gc
import struct
import wire
from capture import Ring, WideClock
from line import Line
from time import sleep_ms, ticks_add, ticks_diff, ticks_ms

_MARK_MS = 10  # how often `until` moves on, and edges waiting for a full frame are sent
_HEARTBEAT_MS = 50
_COUNTERS_MS = 1000
_ANALOGUE_MS = 500
_WALK_MS = 250
_CONTACT_QUIET_MS = 20  # a contact event is over when nothing came for so long
_CONTACT_MOST_MS = 100
_STOP_MS = 1000
# Words older than half the wrap of their time can't be told apart for much longer; those behind a blind stretch
# are widened from now backwards, within a quarter.
_STALE_TICKS = 1 << 30
_STALE_BLIND_TICKS = 1 << 28
_HEAP_LOW = 8192

_OVERRUN = wire.reason_id("ring_overrun")
_NOT_STARTED = wire.reason_id("not_started")
_WALKING = wire.reason_id("walking")
_WORDS_AT = wire.HEADER_BYTES + wire.EDGES_HEAD_BYTES


class Channel:
    """What the loop knows of one channel. Ticks are the rig's wide ones."""

    def __init__(self, number: int, ring: Ring) -> None:
        self.number = number
        self.ring = ring
        self.until = 0  # every edge before has been sent, or lies in a blind stretch that has been sent
        self.phase = 0  # what a word's time shows at `until`
        self.target = 0  # what `until` becomes when `due` words have been sent
        self.due = 0
        self.ordinal = 0  # edges sent or lost
        self.dropped = 0
        self.last_word = -1  # of the last frame, if later than `until`: the exact start of a blind stretch
        self.blind = 0  # reason of the stretch that is open or not sent yet, 0: none
        self.blind_start = 0
        self.blind_resume = -1  # where it ends if that is known; else the next edge or mark ends it
        self.blind_lost = 0
        self.blind_fresh = 0  # when the ring was last emptied into it
        self.seen = 0  # words in the ring that the contact watch has looked at
        self.contact_count = 0
        self.contact_first = 0
        self.contact_last = 0
        self.contact_level = 0
        self.contact_began_ms = 0
        self.contact_ms = 0


class Rig:
    """One capture, one line, one panel. `run` ends by KeyboardInterrupt or HostGone; then call `close`."""

    def __init__(self, board: str, capture, line: Line, panel, player, conductors, analogue, clock: WideClock):  # type: ignore[no-untyped-def]
        self.board = board
        self.capture = capture
        self.line = line
        self.panel = panel
        self.player = player  # None: this board has no pattern pin
        self.conductors = conductors  # None: no pins for continuity
        self.analogue = analogue  # function that gives (feed mV, temperature raw)
        self.pins: dict[str, int] = {}
        self.boot = _boot_number()
        self.watch = 0
        self.watched = len(capture.rings)
        self.capturing = False
        self.playing = False
        self._clock = clock
        self._channels = [Channel(n, ring) for n, ring in enumerate(capture.rings)]
        self._frame = bytearray(wire.HEADER_BYTES + wire.MOST_PAYLOAD + wire.CRC_BYTES)
        self._view = memoryview(self._frame)
        self._sequence = 0
        self._frames_dropped = 0
        self._dropped_untold = 0
        self._stop_deadline_ms = 0
        self._stopping = False
        self._pattern_start = 0
        self._walks: dict[tuple[int, int], int] = {}
        now = ticks_ms()
        self._mark_ms = self._heartbeat_ms = self._counters_ms = self._analogue_ms = self._walk_ms = now
        self._heartbeat_tick = 0
        self._heap_told = False
        gc.collect()

    # ------------------------------------------------------------ sending

    def send(self, kind: int, payload: bytes) -> bool:
        """Send a frame, or drop it whole and count it. A stream played fast waits for the host instead."""
        while self.capture.fast and not self.line.writable():
            sleep_ms(1)
        sent = self._offer(kind, payload)
        if not sent:
            self._sequence = (self._sequence + 1) & wire.SEQUENCE_MASK
            self._frames_dropped += 1
            self._dropped_untold += 1
        return sent

    def _offer(self, kind: int, payload: bytes) -> bool:
        """Send a frame if the line takes it; if not, nothing has happened."""
        if not self.line.writable() or not self.line.send(memoryview(wire.make_frame(kind, self._sequence, payload))):
            return False
        self._sequence = (self._sequence + 1) & wire.SEQUENCE_MASK
        return True

    def answer(self, text: str) -> None:
        self.send(wire.ANSWER, text.encode()[: wire.MOST_PAYLOAD])

    def event(self, kind: int, channel: int, level: int, count: int, tick: int, end_tick: int) -> None:
        self.send(wire.EVENT, wire.pack_event(kind, channel, level, count, tick, end_tick))

    def fault(self, reason: int, channel: int = wire.ALL_CHANNELS, value: int = 0) -> None:
        self.send(wire.FAULT, wire.pack_fault(reason, channel, value, self.capture.now()))

    def sound(self, name: str) -> None:
        """Sound from the board itself, and say so."""
        if self.panel.sound(name):
            now = self.capture.now()
            self.event(wire.SOUND, wire.ALL_CHANNELS, commands.sound_number(name), 1, now, now)

    def hello(self) -> None:
        gc.collect()
        facts = {
            "protocol": wire.PROTOCOL,
            "firmware": wire.FIRMWARE,
            "board": self.board,
            "boot": self.boot,
            "capture": self.capture.kind,
            "tick_hz": self.capture.tick_hz,
            "channels": self.capture.channels(),
            "ring_edges": self.capture.rings[0].room,
            "pattern": self.player is not None,
            "conductors": self.conductors.most if self.conductors else 0,
            "analogue": [name for name, there in zip(("feed_mv", "temperature_raw"), self.analogue()) if there >= 0],
            "heap_used": gc.mem_alloc(),
            "heap_free": gc.mem_free(),
            "capturing": self.capturing,
        }
        self.send(wire.HELLO, wire.pack_hello(facts))

    # ------------------------------------------------------------ edges

    def _set_until(self, ch: Channel, tick: int) -> None:
        if tick > ch.until:
            ch.until = tick
        ch.last_word = -1  # it lies before `until` now
        ch.phase = (ch.until - self.capture.zero) & wire.TIME_MASK

    def _edges(self, ch: Channel) -> bool:
        """Send one frame of a channel's edges, or its blind stretch. True if something was done."""
        if ch.blind:
            return self._end_blind(ch)
        ring = ch.ring
        count = ring.poll()
        if ch.due <= 0 and count < wire.MOST_WORDS:
            return False
        if not self.line.writable():
            return False
        count = min(count, wire.MOST_WORDS)
        length = wire.EDGES_HEAD_BYTES + 4 * count
        at = wire.start_frame(self._frame, wire.EDGES, self._sequence, length)
        wire.pack_edges_head(
            self._frame, at, ch.number, self.capture.flags, count, ch.until, ch.phase, ch.ordinal
        )
        ring.copy(self._frame, _WORDS_AT, count)
        # Words may have been overwritten while they were copied: look after copying, not before.
        if ring.check() > ring.room:
            self._lose(ch, _OVERRUN)
            return True
        if count == 0 or not self.line.send(self._view[: wire.seal_frame(self._frame, length)]):
            return False
        self._sequence = (self._sequence + 1) & wire.SEQUENCE_MASK
        ring.drop(count)
        ch.ordinal = (ch.ordinal + count) & wire.SEQUENCE_MASK
        ch.seen -= count
        if 0 < ch.due <= count:
            self._set_until(ch, ch.target)
        ch.due -= count
        ch.last_word = struct.unpack_from("<I", self._frame, _WORDS_AT + 4 * count - 4)[0]
        return True

    def _tick_of(self, ch: Channel, word: int) -> int:
        """Wide tick of a word captured within the last quarter of the wrap."""
        base = max(self.capture.now() - (wire.TIME_MASK >> 2), 0)
        return wire.widen(word, self.capture.flags, base, (base - self.capture.zero) & wire.TIME_MASK)

    def _word_at(self, ch: Channel, place: int) -> int:
        ring = ch.ring
        return struct.unpack_from("<I", ring.data, 4 * ((ring.next + place) & (ring.room - 1)))[0]

    def _open_blind(self, ch: Channel, reason: int) -> None:
        """Make a channel blind from where it is vouched for, until further notice."""
        if not ch.blind:
            start = ch.until
            if ch.last_word >= 0 and reason == _OVERRUN:
                start = max(start, wire.widen(ch.last_word, self.capture.flags, ch.until, ch.phase) + 1)
            ch.blind_start = start
            ch.blind_lost = 0
        ch.blind = reason
        ch.blind_resume = -1
        ch.blind_fresh = self.capture.now()
        ch.due = 0

    def _lose(self, ch: Channel, reason: int) -> None:
        """Forget what waits in a channel's ring; blind from here on."""
        self._open_blind(ch, reason)
        lost = ch.ring.flush()
        ch.blind_lost += lost
        ch.dropped += lost
        ch.ordinal = (ch.ordinal + lost) & wire.SEQUENCE_MASK
        self._frames_dropped += (lost + wire.MOST_WORDS - 1) // wire.MOST_WORDS
        if self.watch and lost > ch.seen:
            self._contact(ch, lost - max(ch.seen, 0), ch.blind_start, self.capture.now(), ch.contact_level)
        ch.seen = 0

    def _end_blind(self, ch: Channel) -> bool:
        """Send a blind stretch once its end is known; a long one in parts, ten a second."""
        now = self.capture.now()
        waiting = ch.ring.check()
        goes_on = waiting > ch.ring.room
        if goes_on:
            resume = ch.blind_resume
            self._lose(ch, _OVERRUN)
            if now - max(ch.blind_start, resume) < self.capture.tick_hz // 10:
                return True
            end = now  # before it nothing more can come; what was lost after it belongs to the next part
        elif ch.blind_resume >= 0:
            end = ch.blind_resume
        elif waiting:
            end = self._tick_of(ch, self._word_at(ch, 0))
        else:
            end = now
        end = max(end, ch.blind_start)
        if not self._offer(wire.BLIND, wire.pack_blind(ch.number, ch.blind, ch.blind_start, end, ch.blind_lost)):
            return False
        self._set_until(ch, end)
        ch.blind_lost = 0
        if goes_on:
            ch.blind_start = end
        else:
            ch.blind = 0
        return True

    def _mark(self) -> None:
        """Move `until` on: at once where nothing waits, else when what waits now has been sent."""
        reason = self.capture.trouble()
        if reason:
            self._restart(reason)
        tick = self.capture.now()
        for ch in self._channels:
            if ch.blind:
                if tick - ch.blind_fresh > _STALE_BLIND_TICKS:
                    self._lose(ch, _OVERRUN)
                continue
            waiting = ch.ring.check()
            if waiting > ch.ring.room or (ch.due > 0 and tick - ch.until > _STALE_TICKS):
                self._lose(ch, _OVERRUN)
            elif ch.due > 0:
                continue  # the last mark's words are still on their way
            elif waiting == 0:
                self._set_until(ch, tick)
            else:
                ch.target = tick
                ch.due = waiting

    # ------------------------------------------------------------ capture on and off

    def start(self) -> int:
        """Begin capture; every channel was blind until then. Returns the first tick vouched for."""
        for ch in self._channels:
            self._open_blind(ch, _NOT_STARTED)
            ch.seen = 0
        tick = self.capture.start()  # empties the rings
        for ch in self._channels:
            ch.blind_resume = tick
        self.capturing = True
        self._stopping = False
        return tick

    def _restart(self, reason: int) -> None:
        self.capture.stop()
        for ch in self._channels:
            self._lose(ch, reason)
        tick = self.capture.start()
        for ch in self._channels:
            ch.blind_resume = tick

    def stop(self) -> None:
        """End capture; the answer comes when everything captured has been sent, or after a second."""
        if not self.capturing or self._stopping:
            self.answer("stop ok tick=%d" % self._channels[0].until)
            return
        tick = self.capture.now()
        self.capture.stop()
        for ch in self._channels:
            if not ch.blind:
                ch.target = tick
                ch.due = ch.ring.check()
                if ch.due == 0:
                    self._set_until(ch, tick)
        self._stopping = True
        self._stop_deadline_ms = ticks_add(ticks_ms(), _STOP_MS)

    def _finish_stop(self, now_ms: int) -> None:
        for ch in self._channels:
            if (ch.blind or ch.due > 0) and ticks_diff(now_ms, self._stop_deadline_ms) < 0:
                return
        self.capturing = self._stopping = False
        self.answer("stop ok tick=%d" % min([ch.until for ch in self._channels]))

    # ------------------------------------------------------------ contacts and continuity

    def set_watch(self, watch: int, conductors: int = 0) -> None:
        self.watch = watch
        self.watched = conductors if conductors else len(self._channels)
        self._walks = {}
        for ch in self._channels:
            ch.seen = ch.ring.poll()
            ch.contact_count = 0
        if self.conductors:
            self.conductors.feed(conductors)

    def _look(self, ch: Channel) -> None:
        """Contact watch: what has come into the ring since the last look, by its first and last word alone."""
        waiting = ch.ring.poll()
        if waiting > ch.seen:
            last = self._word_at(ch, waiting - 1)
            first_tick = self._tick_of(ch, self._word_at(ch, ch.seen))
            self._contact(ch, waiting - ch.seen, first_tick, self._tick_of(ch, last), last & 1)
            ch.seen = waiting
        if ch.contact_count:
            now = ticks_ms()
            quiet = ticks_diff(now, ch.contact_ms) >= _CONTACT_QUIET_MS
            if quiet or ticks_diff(now, ch.contact_began_ms) >= _CONTACT_MOST_MS:
                payload = wire.pack_event(
                    wire.CONTACT if self.watch == 1 else wire.OPEN,
                    ch.number,
                    ch.contact_level,
                    ch.contact_count,
                    ch.contact_first,
                    ch.contact_last,
                )
                if self._offer(wire.EVENT, payload):
                    ch.contact_count = 0

    def _contact(self, ch: Channel, count: int, first: int, last: int, level: int) -> None:
        if ch.number >= self.watched:
            return
        now = ticks_ms()
        if not ch.contact_count:
            ch.contact_first = first
            ch.contact_began_ms = now
        ch.contact_count += count
        ch.contact_last = last
        ch.contact_level = level
        ch.contact_ms = now
        if self.watch == 2:
            self.sound("open")
        else:
            self.sound("feed" if wire.CHANNELS[ch.number] == "feed" else "contact")

    def _walk(self) -> bool:
        """Look for shorts, if the watched channels are quiet. False: not now."""
        tick = self.capture.now()
        watched = self._channels[: self.watched]
        for ch in watched:
            if ch.blind or ch.ring.check():
                return False
        for ch in watched:
            self._set_until(ch, tick)
        shorts = self.conductors.walk()
        self.capture.now()  # what the walk itself did is in the rings now
        for ch in watched:
            ch.seen = ch.ring.room  # and is no contact
            self._lose(ch, _WALKING)
        resume = self.capture.late()  # after the last flush: nothing lost can be later
        for ch in watched:
            ch.blind_resume = resume
        for pair in shorts:
            self._walks[pair] = self._walks.get(pair, 0) + 1
            self.event(wire.SHORT, pair[0], pair[1], self._walks[pair], tick, resume)
            self.sound("short")
        for pair in list(self._walks):
            if pair not in shorts:
                del self._walks[pair]
        return True

    # ------------------------------------------------------------ the pattern

    def play(self, began: bool) -> None:
        self.playing = began
        self._pattern_start = self.capture.now()

    def _pattern(self) -> bool:
        if self.player.turn():
            return self.capture.kind == "irq"  # played by this loop: no sleeping
        self.playing = False
        self.event(wire.PATTERN_DONE, 0, 0, self.player.edges, self._pattern_start, self.capture.now())
        return True

    # ------------------------------------------------------------ the loop

    def _heartbeat(self) -> None:
        tick = self.capture.now()
        self._heartbeat_tick = tick
        state = self.watch << wire.WATCH_SHIFT
        if self.capturing:
            state |= wire.CAPTURING
        if self.panel.sounding:
            state |= wire.SOUNDING
        if self.panel.lit:
            state |= wire.LAMP_LIT
        if self.panel.muted:
            state |= wire.MUTED
        until = [ch.until for ch in self._channels]
        tick = max(tick, max(until))  # `now` is careful by some microseconds, a start or a walk's end is not
        if self._dropped_untold and self._offer(
            wire.FAULT,
            wire.pack_fault(wire.reason_id("frames_dropped"), wire.ALL_CHANNELS, self._dropped_untold, tick),
        ):
            self._dropped_untold = 0
        self.send(
            wire.HEARTBEAT,
            wire.pack_heartbeat(tick, self._clock.us(), self.boot, self.capture.levels(), state, until),
        )

    def _counters(self) -> None:
        rows = [[ch.ordinal + ch.ring.poll(), ch.dropped, ch.ring.missed] for ch in self._channels]
        free = gc.mem_free()
        self.send(
            wire.COUNTERS,
            wire.pack_counters(self._sequence, self._frames_dropped, gc.mem_alloc(), free, rows),
        )
        if free < 2 * _HEAP_LOW:
            gc.collect()
            if gc.mem_free() < _HEAP_LOW and not self._heap_told:
                self._heap_told = True
                self.fault(wire.reason_id("heap_low"), value=gc.mem_free())

    def turn(self) -> bool:
        """One turn: at most one frame a channel, one command, one heartbeat. True if it had something to do."""
        text = self.line.read()
        busy = text is not None
        if text is not None:
            commands.handle(self, text)
        if self.capturing:
            if self.capture.turn():
                busy = True
            for ch in self._channels:
                if self.watch and not self._stopping and ch.number < self.watched:
                    self._look(ch)
                if self._edges(ch):
                    busy = True
        while self.capture.faults:
            self.fault(self.capture.faults.pop(0))
        now = ticks_ms()
        if self._stopping:
            self._finish_stop(now)
        elif self.capturing and (self.capture.fast or ticks_diff(now, self._mark_ms) >= 0):
            self._mark_ms = ticks_add(now, _MARK_MS)
            self._mark()
        if ticks_diff(now, self._heartbeat_ms) >= 0 or (
            self.capture.fast and self.capture.now() - self._heartbeat_tick > self.capture.tick_hz // 20
        ):
            self._heartbeat_ms = ticks_add(now, _HEARTBEAT_MS)
            self._heartbeat()
        if ticks_diff(now, self._counters_ms) >= 0:
            self._counters_ms = ticks_add(now, _COUNTERS_MS)
            self._counters()
        if ticks_diff(now, self._analogue_ms) >= 0:
            self._analogue_ms = ticks_add(now, _ANALOGUE_MS)
            feed_mv, raw = self.analogue()
            if feed_mv >= 0 or raw >= 0:
                self.send(wire.ANALOGUE, wire.pack_analogue(self.capture.now(), feed_mv, raw))
        if self.watch == 2 and self.capturing and not self._stopping and ticks_diff(now, self._walk_ms) >= 0:
            if self._walk():
                self._walk_ms = ticks_add(now, _WALK_MS)
        if self.playing and self._pattern():
            busy = True
        if self.panel.turn():
            tick = self.capture.now()
            self.event(wire.MARK, wire.ALL_CHANNELS, 1, 1, tick, tick)
            self.sound("mark")
        return busy

    def run(self) -> None:
        """Turn until interrupted. Sleeping a millisecond when idle leaves the bus free and costs nothing."""
        self.hello()
        while True:
            if not self.turn():
                sleep_ms(1)

    def close(self) -> None:
        """Leave the board as it was found, on every way out."""
        for part in (self.player, self.capture, self.panel):
            if part is not None:
                part.close()
        if self.conductors:
            self.conductors.feed(0)


def _boot_number() -> int:
    try:
        import os

        return struct.unpack("<H", os.urandom(2))[0]
    except (ImportError, AttributeError):
        return ticks_ms() & 0xFFFF
