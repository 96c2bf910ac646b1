"""Capture without a board: edges from a stream of frames, handed on when they are due. See PROTOCOL.md.

Runs on MicroPython's unix port. Paced, it loses what a board would lose: when the host does not read, its rings
run over. With fast=True it loses nothing: it takes from the stream only what its rings have room for.
"""

import pattern_out
import select
import struct
import wire
from capture import plain_ring
from clock import WideClock, later_ms, now_ms, since_ms

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator

RING_WORDS = 16384
"""What a ring holds by default: 160 ms at 100,000 edges a second, since a busy computer pauses its programs for longer than a board does."""
_AHEAD_PARTS = 50  # of a second: how far ahead of the clock the stream is read
_MOST_A_TURN = 64  # frames read in one loop turn
_PRESS_MS = 60
_FOREVER = 1 << 62


class Queued:
    """One stream frame's edges of a channel, partly handed on."""

    def __init__(self, base: int, words: bytes) -> None:
        self.base = base
        self.words = memoryview(words)
        self.count = len(words) // 4
        self.next = 0

    def tick(self, n: int) -> int:
        return wire.widen(struct.unpack_from("<I", self.words, 4 * n)[0], 0, self.base, self.base & wire.TIME_MASK)

    def due(self, before: int) -> int:
        """Place of the first edge at or after `before`."""
        low, high = self.next, self.count
        while low < high:
            middle = (low + high) // 2
            if self.tick(middle) < before:
                low = middle + 1
            else:
                high = middle
        return low


class Capture:
    kind = "replay"
    flags = 0

    def __init__(self, stream, clock: WideClock, fast: bool, ring_words: int) -> None:  # type: ignore[no-untyped-def]
        self._stream = stream
        self._clock = clock
        self.fast = fast
        self.tick_hz = 62500000
        self.zero = 0
        self.rings = [plain_ring(ring_words) for _ in wire.CHANNELS]
        self.faults: list[tuple[int, int]] = []
        self.feed_mv = -1
        self.temperature_raw = -1
        self.shorts: list[tuple[int, int, int, int]] = []  # (conductor, other, tick, end tick), not over at the last one's tick
        self._poll = select.poll()
        self._poll.register(stream, select.POLLIN)
        self._edges: list[list[Queued]] = [[] for _ in wire.CHANNELS]
        self._rest: list[tuple[int, int, bytes]] = []  # (tick, type, payload) of what is no edge
        self._held: tuple[int, bytes] | None = None  # a frame the rings had no room for
        self._promised = 0  # stream ticks before which every edge has been loaded
        self._at = 0  # stream ticks before which every edge has been handed on
        self._latest = 0  # rig ticks never fall
        self._levels = 0
        self.player: StreamPlayer | None = None
        self._running = False
        self._ended = False  # all of the stream has been loaded
        self._end = -1  # its last tick, until that has gone by
        self._skew = 0  # ticks by which a fast stream ran ahead of the clock
        self._press_until = now_ms()
        self._pressing = False
        self._decoder = wire.Decoder()
        first = self._read()
        if first is not None and first[0] == wire.HELLO:
            self.tick_hz = int(wire.read_hello(first[1])["tick_hz"])
        else:
            self._held = first

    def channels(self) -> list[dict[str, object]]:
        ns = 1e9 / self.tick_hz
        return [
            {"name": name, "pin": None, "resolution_ns": ns, "highest_rate": 100000, "shortest_pulse_ns": ns}
            for name in wire.CHANNELS
        ]

    # ------------------------------------------------------------ the stream

    def _read(self) -> tuple[int, bytes] | None:
        """The next frame of the stream: (type, payload); None if there is none yet, or none any more."""
        if self._held is not None:
            frame, self._held = self._held, None
            return frame
        if self._ended:
            return None
        for _, event in self._poll.ipoll(0):
            head = self._stream.read(wire.HEADER_BYTES)
            if not head:
                break
            length = struct.unpack_from("<H", head, 4)[0] if len(head) == wire.HEADER_BYTES else 0
            frames = self._decoder.feed(head + self._stream.read(length + wire.CRC_BYTES))
            if len(frames) != 1:
                raise ValueError("the stream is not a sequence of whole frames")
            return frames[0][1], frames[0][3]
        else:
            return None
        self._ended = True
        self._end = self._promised
        self._promised = _FOREVER
        return None

    def _load(self) -> bool:
        """Take one frame from the stream. False if there was none, or no room for its edges."""
        frame = self._read()
        if frame is None:
            return False
        kind, payload = frame
        if kind == wire.EDGES:
            channel, flags, base, phase, _, words = wire.read_edges(payload)
            queued = sum([queue.count for queue in self._edges[channel]])
            if self.fast and self.rings[channel].check() + queued + len(words) // 4 > self.rings[channel].room:
                self._held = frame
                return False
            if flags or phase != base & wire.TIME_MASK:
                words = _plain(words, flags, base, phase)
            self._edges[channel].append(Queued(base, words))
        elif kind == wire.HEARTBEAT:
            tick, _, _, levels, _, _ = wire.read_heartbeat(payload)
            self._promised = max(self._promised, tick)
            self._rest.append((tick, kind, bytes([levels])))
        elif kind == wire.ANALOGUE:
            self._rest.append((wire.read_analogue(payload)[0], kind, payload))
        elif kind == wire.EVENT:
            self._rest.append((wire.read_event(payload)[4], kind, payload))
        return True

    def _now(self) -> int:
        """Stream ticks gone by: every edge before is known."""
        if self.fast:
            return self._end if self._ended else self._promised
        return min(self._promised, self._ticks() - self.zero)

    def _ticks(self) -> int:
        return self._clock.us() * self.tick_hz // 1000000 + self._skew

    def _do(self, kind: int, payload: bytes) -> None:
        if kind == wire.HEARTBEAT:
            self._levels = payload[0]
        elif kind == wire.ANALOGUE:
            _, self.feed_mv, self.temperature_raw = wire.read_analogue(payload)
        else:
            event, channel, level, _, tick, end = wire.read_event(payload)
            if event == wire.MARK:
                self._press_until = later_ms(now_ms(), _PRESS_MS)
                self._pressing = True
            elif event == wire.SHORT:
                self.shorts = [short for short in self.shorts if short[3] > tick]
                self.shorts.append((channel, level, tick, end))

    # ------------------------------------------------------------ as any capture

    def turn(self) -> bool:
        """Load ahead, hand on what is due. True if the next turn should come at once."""
        if not self._running:
            return False
        if self.fast:
            before = self._promised
            while self._promised == before and self._load():
                pass
        else:
            wanted = self._ticks() - self.zero + self.tick_hz // _AHEAD_PARTS
            for _ in range(_MOST_A_TURN):
                if self._promised >= wanted or not self._load():
                    break
        now = self._now()
        hand_on_before = _FOREVER if self.fast else now
        for channel, queue in enumerate(self._edges):
            while queue:
                head = queue[0]
                due = head.due(hand_on_before)
                if due > head.next:
                    self.put(channel, head.words[4 * head.next : 4 * due], due - head.next)
                    head.next = due
                if due < head.count:
                    break
                queue.pop(0)
        while self._rest and self._rest[0][0] <= now:
            _, kind, payload = self._rest.pop(0)
            self._do(kind, payload)
        if self.player is not None:
            self.player.fill(now)
        self._at = now
        if self._ended and self._end >= 0 and now >= self._end:
            self.faults.append((wire.reason_id("source_end"), self.zero + self._end))
            if self.fast:  # from here on in real time
                self.fast = False
                self._skew += self.zero + self._end - self._ticks()
            self._end = -1
        return self.fast

    def put(self, channel: int, words: memoryview, count: int) -> None:
        """Words into a channel's ring, as if captured now."""
        self.rings[channel].put(words, count)
        bit = 1 << channel
        self._levels = (self._levels & ~bit) | (bit if words[4 * count - 4] & 1 else 0)

    def start(self) -> int:
        """Go on in the stream where the last stop left it. Returns the rig tick of that place."""
        for ring in self.rings:
            ring.flush()
        began = self.now()
        self.zero = began - self._at
        self._running = True
        return began

    def now(self) -> int:
        if self._running:
            self.turn()
            self._latest = self.zero + self._at
        else:
            self._latest = max(self._latest, self._ticks())
        return self._latest

    late = now

    def levels(self) -> int:
        return self._levels

    def trouble(self) -> int:
        return 0

    def stop(self) -> None:
        self._running = False

    def close(self) -> None:
        self.stop()

    def value(self) -> int:
        """As the mark button's pin: 0 while the stream presses it."""
        if self._pressing and since_ms(self._press_until, now_ms()) >= 0:
            self._pressing = False
        return 0 if self._pressing else 1


class StreamPlayer:
    """The self-check pattern without pins: as if the jumper led to the crank channel."""

    top_rpm = pattern_out.TOP_RPM

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        capture.player = self
        self._steps: Iterator[tuple[int, int]] = iter(())
        self._words = bytearray(4 * 256)
        self._due = 0
        self._level = 0
        self._playing = False
        self.edges = 0

    def play(self, tick_hz: int) -> tuple[int, int]:
        self._begin(pattern_out.steps(tick_hz))
        return pattern_out.totals(tick_hz)

    def rate(self, hz: int, ms: int) -> bool:
        half = self._capture.tick_hz // hz
        return half > 0 and self._begin(_square(half, hz * ms // 2000))

    def _begin(self, steps) -> bool:  # type: ignore[no-untyped-def]
        self._steps = steps
        self._due = self._capture.now() - self._capture.zero + self._capture.tick_hz // 50
        self._level = 0
        self._playing = True
        self.edges = 0
        return True

    def fill(self, before: int) -> None:
        """Put the edges before a stream tick into the ring."""
        count = 0
        while self._playing and self._due < before:
            try:
                level, ticks = next(self._steps)
            except StopIteration:
                self._playing = False
                break
            if level != self._level:
                self._level = level
                self.edges += 1
                struct.pack_into("<I", self._words, 4 * count, ((self._due & wire.TIME_MASK) << 1) | level)
                count += 1
                if 4 * count == len(self._words):
                    self._capture.put(0, memoryview(self._words), count)
                    count = 0
            self._due += ticks
        if count:
            self._capture.put(0, memoryview(self._words), count)

    def turn(self) -> bool:
        return self._playing

    def stop(self) -> None:
        self._playing = False

    def close(self) -> None:
        self.stop()


class StreamConductors:
    """The continuity watch without pins: joined is what the stream says is joined."""

    most = 3

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._count = 0

    def feed(self, count: int) -> None:
        self._count = count

    def walk(self) -> list[tuple[int, int]]:
        now = self._capture.now() - self._capture.zero
        return [
            (fed, far)
            for fed, far, start, end in self._capture.shorts
            if start <= now < end and fed < far < self._count
        ]


def _square(half: int, times: int) -> "Iterator[tuple[int, int]]":
    """Levels and how long each lasts, in ticks, of a square wave."""
    for _ in range(times):
        yield 1, half
        yield 0, half


def _plain(words: bytes, flags: int, base: int, phase: int) -> bytes:
    """Words of another rig's capture, with times counted upwards from tick 0."""
    out = bytearray(len(words))
    for at in range(0, len(words), 4):
        word = struct.unpack_from("<I", words, at)[0]
        tick = wire.widen(word, flags, base, phase)
        struct.pack_into("<I", out, at, ((tick & wire.TIME_MASK) << 1) | (word & 1))
    return bytes(out)
