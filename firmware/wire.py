"""Frames between rig and host: layout, encoder, decoder. The host imports this same file.

Runs on CPython 3.11+ and MicroPython 1.23+. PROTOCOL.md is the contract; its examples are parsed by the
decoder below in the tests. All numbers are little-endian. Ticks are integers everywhere.

A frame:

    offset  size  what
    0       2     magic F7 54
    2       1     protocol number
    3       1     type, one of the constants below
    4       2     payload length n
    6       2     the same length with every bit turned over, so that noise seldom looks like a header
    8       4     sequence, 30 bits: counts every frame made, sent or dropped
    12      n     payload
    12+n    4     CRC-32 (the one of IEEE 802.3) of everything before it
"""

import binascii
import json
import struct

PROTOCOL = 1
"""Raised only on an incompatible change. Header and hello keep their shape for ever."""
FIRMWARE = "0.2.1"

MAGIC = b"\xf7T"
HEADER_BYTES = 12
CRC_BYTES = 4
MOST_PAYLOAD = 1024
SEQUENCE_MASK = 0x3FFFFFFF  # 30 bits: the small-int range of a 32-bit MicroPython

HELLO = 1
EDGES = 2
HEARTBEAT = 3
COUNTERS = 4
BLIND = 5
ANALOGUE = 6
FAULT = 7
ANSWER = 8
EVENT = 9

CHANNELS = ("crank", "cam", "feed", "aux")
ALL_CHANNELS = 255
"""Channel number of what concerns all channels, or none in particular."""

TIME_MASK = 0x7FFFFFFF  # 31 bits of time in an edge word, the lowest bit is the level
EDGES_HEAD_BYTES = 20
MOST_WORDS = 240
"""Edges in one frame at most: under a kilobyte, so that a lost frame costs little."""
COUNTS_DOWN = 1
"""Flag of an edges frame: the time in its words counts down (a state machine's X)."""
SLACK_TICKS = 1 << 24
"""How far before its base an edge may lie and still be widened rightly."""

# State bits of a heartbeat.
CAPTURING = 1
SOUNDING = 2
LAMP_LIT = 4
MUTED = 8
WATCH_SHIFT = 4  # two bits: which watch is set
DRIVING = 64
WATCHES = ("turning", "rest", "continuity")

# Kinds of event frames.
MARK = 1
CONTACT = 2
OPEN = 3
SHORT = 4
SOUND = 5
PATTERN_DONE = 6
EVENTS = {
    MARK: "mark",
    CONTACT: "contact",
    OPEN: "open",
    SHORT: "short",
    SOUND: "sound",
    PATTERN_DONE: "pattern_done",
}

# Reasons of blind stretches, faults and refused commands; hints stand in PROTOCOL.md and reasons.py.
REASONS = {
    1: "ring_overrun",
    2: "fifo_stalled",
    3: "not_started",
    4: "walking",
    6: "source_end",
    7: "edges_missed",
    8: "frames_dropped",
    9: "internal_error",
    10: "no_such_pin",
    11: "unknown_command",
    12: "bad_argument",
    13: "busy",
    14: "heap_low",
    15: "capture_refused",
    16: "drive_link_lost",
    17: "drive_button",
    18: "drive_overspeed",
    19: "drive_no_speed",
    20: "drive_no_capture",
    21: "drive_off",
    # Made by the host alone, never sent by a rig.
    65: "frames_lost",
    66: "link_lost",
    67: "rig_reset",
}


def reason_id(name: str) -> int:
    """Id of a reason by its name. Raises KeyError for a name that is not in the table."""
    for number, known in REASONS.items():
        if known == name:
            return number
    raise KeyError(name)


# ---------------------------------------------------------------- making frames


def start_frame(frame: bytearray, kind: int, sequence: int, length: int) -> int:
    """Write the header of a frame with `length` bytes of payload; returns the payload's offset."""
    struct.pack_into("<2sBBHHI", frame, 0, MAGIC, PROTOCOL, kind, length, length ^ 0xFFFF, sequence)
    return HEADER_BYTES


def seal_frame(frame: bytearray, length: int) -> int:
    """Write the CRC behind `length` bytes of payload; returns the whole frame's length in bytes."""
    end = HEADER_BYTES + length
    struct.pack_into("<I", frame, end, binascii.crc32(memoryview(frame)[:end]) & 0xFFFFFFFF)
    return end + CRC_BYTES


def make_frame(kind: int, sequence: int, payload: bytes) -> bytes:
    """A whole frame. Raises ValueError if the payload is longer than MOST_PAYLOAD."""
    if len(payload) > MOST_PAYLOAD:
        raise ValueError("payload of %d bytes is too long" % len(payload))
    frame = bytearray(HEADER_BYTES + len(payload) + CRC_BYTES)
    start_frame(frame, kind, sequence & SEQUENCE_MASK, len(payload))
    frame[HEADER_BYTES : HEADER_BYTES + len(payload)] = payload
    seal_frame(frame, len(payload))
    return bytes(frame)


def pack_hello(facts: dict) -> bytes:  # type: ignore[type-arg]  # MicroPython reads annotations as builtins
    """Payload of a hello: JSON in UTF-8. See PROTOCOL.md for its keys; keys may be added, never renamed."""
    return json.dumps(facts).encode()


def pack_edges_head(
    frame: bytearray, offset: int, channel: int, flags: int, count: int, base: int, phase: int, ordinal: int
) -> None:
    """The fixed part of an edges payload, written in place: the words follow at offset + EDGES_HEAD_BYTES."""
    struct.pack_into("<BBHQII", frame, offset, channel, flags, count, base, phase, ordinal)


def pack_edges(channel: int, base: int, words: bytes, flags: int = 0, phase: int = -1, ordinal: int = 0) -> bytes:
    """Payload of an edges frame from words as captured (4 bytes an edge).

    base: wide tick before which every edge of this channel has been sent. phase: what the word's time
    shows at `base`; left out, the time is `base` cut to 31 bits. ordinal: edges of this channel captured
    before the first one here, 30 bits.
    """
    head = bytearray(EDGES_HEAD_BYTES)
    if phase < 0:
        phase = base & TIME_MASK
    pack_edges_head(head, 0, channel, flags, len(words) // 4, base, phase, ordinal & SEQUENCE_MASK)
    return bytes(head) + bytes(words)


def pack_heartbeat(tick: int, us: int, boot: int, levels: int, state: int, until: list[int]) -> bytes:
    """Payload of a heartbeat. levels: bit n is channel n. until: one wide tick a channel."""
    return struct.pack("<QQHBBB3x", tick, us, boot, levels, state, len(until)) + b"".join(
        [struct.pack("<Q", tick) for tick in until]
    )


def pack_counters(frames: int, dropped: int, heap_used: int, heap_free: int, edges: list[list[int]]) -> bytes:
    """Payload of counters. edges: for each channel [captured, dropped, missed], all modulo 2**32."""
    body = struct.pack("<IIIIB3x", frames, dropped, heap_used, heap_free, len(edges))
    return body + b"".join([struct.pack("<III", *[n & 0xFFFFFFFF for n in row]) for row in edges])


def pack_blind(channel: int, reason: int, start: int, end: int, lost: int) -> bytes:
    """Payload of a blind stretch, end exclusive. lost: edges known to be lost in it, at most 2**32-1."""
    return struct.pack("<BBHIQQ", channel, reason, 0, min(lost, 0xFFFFFFFF), start, end)


def pack_analogue(tick: int, feed_mv: int, temperature_raw: int) -> bytes:
    """Payload of analogue readings: millivolts of the feed, raw 0-65535 of the temperature input; -1: none."""
    return struct.pack("<Qii", tick, feed_mv, temperature_raw)


def pack_fault(reason: int, channel: int, value: int, tick: int) -> bytes:
    """Payload of a fault. value: a number that belongs to it (frames dropped, say), at most 2**32-1."""
    return struct.pack("<BBHIQ", reason, channel, 0, min(value, 0xFFFFFFFF), tick)


def pack_event(kind: int, channel: int, level: int, count: int, tick: int, end_tick: int) -> bytes:
    """Payload of an event the rig itself saw or did."""
    return struct.pack("<BBBBIQQ", kind, channel, level, 0, count & 0xFFFFFFFF, tick, end_tick)


# ---------------------------------------------------------------- reading frames


def read_hello(payload: bytes) -> dict:  # type: ignore[type-arg]
    """The facts of a hello. Raises ValueError if it is not the JSON of an object."""
    facts = json.loads(bytes(payload).decode())
    if not isinstance(facts, dict):
        raise ValueError("hello is not an object")
    return facts


def read_edges(payload: bytes) -> tuple[int, int, int, int, int, bytes]:
    """(channel, flags, base, phase, ordinal, words as captured). Raises ValueError if count and length disagree."""
    channel, flags, count, base, phase, ordinal = struct.unpack_from("<BBHQII", payload, 0)
    words = payload[EDGES_HEAD_BYTES:]
    if len(words) != 4 * count:
        raise ValueError("edges frame says %d edges and holds %d bytes" % (count, len(words)))
    return channel, flags, base, phase, ordinal, words


def widen(word: int, flags: int, base: int, phase: int) -> int:
    """Wide tick of one word: the plain form of what the host does to a whole array at once."""
    time = word >> 1
    if flags & COUNTS_DOWN:
        time ^= TIME_MASK
    return base - SLACK_TICKS + ((time - phase + SLACK_TICKS) & TIME_MASK)


def read_heartbeat(payload: bytes) -> tuple[int, int, int, int, int, list[int]]:
    """(tick, us, boot, levels, state, [until a channel])."""
    tick, us, boot, levels, state, count = struct.unpack_from("<QQHBBB", payload, 0)
    return tick, us, boot, levels, state, [struct.unpack_from("<Q", payload, 24 + 8 * n)[0] for n in range(count)]


def read_counters(payload: bytes) -> tuple[int, int, int, int, list[list[int]]]:
    """(frames made, frames dropped, heap used, heap free, [[captured, dropped, missed] a channel])."""
    frames, dropped, used, free, count = struct.unpack_from("<IIIIB", payload, 0)
    rows = [list(struct.unpack_from("<III", payload, 20 + 12 * n)) for n in range(count)]
    return frames, dropped, used, free, rows


def read_blind(payload: bytes) -> tuple[int, int, int, int, int]:
    """(channel, reason, start tick, end tick, edges known to be lost)."""
    channel, reason, _, lost, start, end = struct.unpack_from("<BBHIQQ", payload, 0)
    return channel, reason, start, end, lost


def read_analogue(payload: bytes) -> tuple[int, int, int]:
    """(tick, feed in millivolts or -1, temperature input raw or -1)."""
    tick, feed_mv, raw = struct.unpack_from("<Qii", payload, 0)
    return tick, feed_mv, raw


def read_fault(payload: bytes) -> tuple[int, int, int, int]:
    """(reason, channel, value, tick)."""
    reason, channel, _, value, tick = struct.unpack_from("<BBHIQ", payload, 0)
    return reason, channel, value, tick


def read_event(payload: bytes) -> tuple[int, int, int, int, int, int]:
    """(kind, channel, level, count, tick, end tick)."""
    kind, channel, level, _, count, tick, end = struct.unpack_from("<BBBBIQQ", payload, 0)
    return kind, channel, level, count, tick, end


def sequence_step(before: int, now: int) -> int:
    """Frames from one sequence number to the next, the wrap of 30 bits included: 1 when none is missing."""
    return (now - before) & SEQUENCE_MASK


class Decoder:
    """Bytes in, whole frames out; fed byte by byte it gives the same frames as fed at once.

    What may be lost: bytes that belong to no whole frame with a right CRC. They are counted in
    `garbage_bytes`; `bad_crc` counts the headers whose frame failed its CRC. A frame of another
    protocol number is handed on like any other, so that the caller can name both numbers.
    """

    def __init__(self) -> None:
        self._held = b""
        self.garbage_bytes = 0
        self.bad_crc = 0

    def feed(self, data: bytes) -> list[tuple[int, int, int, bytes]]:
        """Frames completed by `data`, each as (protocol, type, sequence, payload)."""
        frames: list[tuple[int, int, int, bytes]] = []
        held = self._held + data if self._held else bytes(data)
        at = 0
        size = len(held)
        while True:
            found = held.find(MAGIC, at)
            if found < 0:
                # The last byte may be the first half of a magic.
                found = size - 1 if size > at and held[size - 1] == MAGIC[0] else size
            self.garbage_bytes += found - at
            at = found
            if size - at < HEADER_BYTES:
                break
            _, protocol, kind, length, turned, sequence = struct.unpack_from("<2sBBHHI", held, at)
            if length ^ turned != 0xFFFF or length > MOST_PAYLOAD:
                self.garbage_bytes += 1
                at += 1
                continue
            end = at + HEADER_BYTES + length
            if size < end + CRC_BYTES:
                break
            crc = struct.unpack_from("<I", held, end)[0]
            if binascii.crc32(held[at:end]) & 0xFFFFFFFF != crc:
                self.bad_crc += 1
                self.garbage_bytes += 1
                at += 1
                continue
            frames.append((protocol, kind, sequence, held[at + HEADER_BYTES : end]))
            at = end + CRC_BYTES
        self._held = held[at:]
        return frames
