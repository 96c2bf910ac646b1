"""Edges from the rings to frames, and the account of what was lost.

Order that the host may rely on: a channel's blind stretch is sent before any edge after it, and its `until`
stands still until that is done. So nothing the rig lost can ever look like silence.
"""

import struct
import wire
from capture import Ring
from post import Post

# Words older than half the wrap of their time can't be told apart for much longer; those behind a blind stretch
# are widened from now backwards, within a quarter.
_STALE_TICKS = 1 << 30
_STALE_BLIND_TICKS = 1 << 28
_PARTS_A_SECOND = 10  # in which a long blind stretch is told

_OVERRUN = wire.reason_id("ring_overrun")
_NOT_STARTED = wire.reason_id("not_started")
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
        self.blind_fresh = 0  # a tick later than anything emptied into it
        self.seen = 0  # words in the ring that the contact watch has looked at
        self.unseen_lost = 0  # words lost before it could


class Flow:
    """All channels of a capture."""

    def __init__(self, capture, post: Post) -> None:  # type: ignore[no-untyped-def]
        self.capture = capture
        self.channels = [Channel(n, ring) for n, ring in enumerate(capture.rings)]
        self._post = post

    # ------------------------------------------------------------ ticks of words

    def set_until(self, ch: Channel, tick: int) -> None:
        if tick > ch.until:
            ch.until = tick
        ch.last_word = -1  # it lies before `until` now
        ch.phase = (ch.until - self.capture.zero) & wire.TIME_MASK

    def tick_of(self, word: int) -> int:
        """Wide tick of a word captured within the last quarter of the wrap."""
        base = max(self.capture.now() - (wire.TIME_MASK >> 2), 0)
        return wire.widen(word, self.capture.flags, base, (base - self.capture.zero) & wire.TIME_MASK)

    def word_at(self, ch: Channel, place: int) -> int:
        ring = ch.ring
        return struct.unpack_from("<I", ring.data, 4 * ((ring.next + place) & (ring.room - 1)))[0]

    # ------------------------------------------------------------ edges

    def turn(self, ch: Channel) -> bool:
        """Send one frame of a channel's edges, or its blind stretch. True if something was done."""
        if ch.blind:
            return self._end_blind(ch)
        ring = ch.ring
        count = ring.poll()
        if ch.due <= 0 and count < wire.MOST_WORDS:
            return False
        if not self._post.line.writable():
            return False
        count = min(count, wire.MOST_WORDS)
        length = wire.EDGES_HEAD_BYTES + 4 * count
        frame = self._post.begin(wire.EDGES, length)
        wire.pack_edges_head(
            frame, wire.HEADER_BYTES, ch.number, self.capture.flags, count, ch.until, ch.phase, ch.ordinal
        )
        ring.copy(frame, _WORDS_AT, count)
        # Words may have been overwritten while they were copied: look after copying, not before.
        if ring.check() > ring.room:
            self.lose(ch, _OVERRUN)
            return True
        if count == 0 or not self._post.finish(length):
            return False
        ring.drop(count)
        ch.ordinal = (ch.ordinal + count) & wire.SEQUENCE_MASK
        ch.seen -= count
        if 0 < ch.due <= count:
            self.set_until(ch, ch.target)
        ch.due -= count
        ch.last_word = struct.unpack_from("<I", frame, _WORDS_AT + 4 * count - 4)[0]
        return True

    def mark(self) -> None:
        """Move `until` on: at once where nothing waits, else when what waits now has been sent."""
        reason = self.capture.trouble()
        if reason:
            self._restart(reason)
        tick = self.capture.now()
        for ch in self.channels:
            if ch.blind:
                if tick - ch.blind_fresh > _STALE_BLIND_TICKS:
                    self.lose(ch, _OVERRUN)
                continue
            waiting = ch.ring.check()
            if waiting > ch.ring.room or (ch.due > 0 and tick - ch.until > _STALE_TICKS):
                self.lose(ch, _OVERRUN)
            elif ch.due > 0:
                continue  # the last mark's words are still on their way
            elif waiting == 0:
                self.set_until(ch, tick)
            else:
                ch.target = tick
                ch.due = waiting

    # ------------------------------------------------------------ blind stretches

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
        ch.blind_fresh = self.capture.late()
        ch.due = 0

    def lose(self, ch: Channel, reason: int) -> None:
        """Forget what waits in a channel's ring; blind from here on."""
        self._open_blind(ch, reason)
        lost = ch.ring.flush()
        ch.blind_fresh = self.capture.late()
        ch.blind_lost += lost
        ch.dropped += lost
        ch.ordinal = (ch.ordinal + lost) & wire.SEQUENCE_MASK
        self._post.dropped += (lost + wire.MOST_WORDS - 1) // wire.MOST_WORDS
        ch.unseen_lost += max(lost - max(ch.seen, 0), 0)
        ch.seen = 0

    def _end_blind(self, ch: Channel) -> bool:
        """Send a blind stretch once its end is known; a long one in parts."""
        now = self.capture.now()
        waiting = ch.ring.check()
        goes_on = waiting > ch.ring.room
        if goes_on:
            self.lose(ch, _OVERRUN)
            if now - ch.blind_start < self.capture.tick_hz // _PARTS_A_SECOND:
                return True
            end = now  # before it nothing more can come; what was lost after it belongs to the next part
        elif ch.blind_resume >= 0:
            end = ch.blind_resume
        elif waiting:
            end = self.tick_of(self.word_at(ch, 0))
        else:
            end = max(now, ch.blind_fresh)
        end = max(end, ch.blind_start)
        if not self._post.offer(
            wire.BLIND, wire.pack_blind(ch.number, ch.blind, ch.blind_start, end, ch.blind_lost)
        ):
            return False
        self.set_until(ch, end)
        ch.blind_lost = 0
        if goes_on:
            ch.blind_start = end
        else:
            ch.blind = 0
        return True

    # ------------------------------------------------------------ on and off

    def start(self) -> int:
        """Begin capture; every channel was blind until then. Returns the first tick vouched for."""
        for ch in self.channels:
            self._open_blind(ch, _NOT_STARTED)
            ch.seen = 0
        tick = self.capture.start()  # empties the rings
        for ch in self.channels:
            ch.blind_resume = tick
        return tick

    def _restart(self, reason: int) -> None:
        self.capture.stop()
        for ch in self.channels:
            self.lose(ch, reason)
        tick = self.capture.start()
        for ch in self.channels:
            ch.blind_resume = tick

    def stop(self) -> None:
        """End capture; `turn` goes on until what was captured has been sent."""
        tick = self.capture.now()
        self.capture.stop()
        for ch in self.channels:
            if not ch.blind:
                ch.target = tick
                ch.due = ch.ring.check()
                if ch.due == 0:
                    self.set_until(ch, tick)

    def drained(self) -> bool:
        for ch in self.channels:
            if ch.blind or ch.due > 0:
                return False
        return True

    def until(self) -> list[int]:
        return [ch.until for ch in self.channels]

    def counts(self) -> list[list[int]]:
        """[captured, dropped, missed] a channel."""
        return [[ch.ordinal + ch.ring.poll(), ch.dropped, ch.ring.missed] for ch in self.channels]
