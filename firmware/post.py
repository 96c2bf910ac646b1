"""Frames on their way out: numbered, sent whole or dropped whole and counted."""

import wire
from line import Line
from time import sleep_ms


class Post:
    """The sequence counts every frame made here, sent or dropped; kept ones count when they go."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.patient = False  # wait for the host rather than drop: a stream played fast
        self.frames = 0  # made, 30 bits; the next one's sequence number
        self.dropped = 0
        self.untold = 0  # dropped and not told yet
        self._frame = bytearray(wire.HEADER_BYTES + wire.MOST_PAYLOAD + wire.CRC_BYTES)
        self._view = memoryview(self._frame)

    def offer(self, kind: int, payload: bytes) -> bool:
        """Send a frame if the line takes it; if not, nothing has happened."""
        if not self.line.writable():
            return False
        if not self.line.send(memoryview(wire.make_frame(kind, self.frames, payload))):
            return False
        self.frames = (self.frames + 1) & wire.SEQUENCE_MASK
        return True

    def send(self, kind: int, payload: bytes) -> bool:
        """Send a frame, or drop it whole and count it."""
        while self.patient and not self.line.writable():
            sleep_ms(1)
        if self.offer(kind, payload):
            return True
        self.frames = (self.frames + 1) & wire.SEQUENCE_MASK
        self.dropped += 1
        self.untold += 1
        return False

    def begin(self, kind: int, length: int) -> bytearray:
        """A frame to be filled in place, its header written; its payload begins at wire.HEADER_BYTES."""
        wire.start_frame(self._frame, kind, self.frames, length)
        return self._frame

    def finish(self, length: int) -> bool:
        """Send the frame begun, the line having just said that it is writable."""
        if not self.line.send(self._view[: wire.seal_frame(self._frame, length)]):
            return False
        self.frames = (self.frames + 1) & wire.SEQUENCE_MASK
        return True

    def answer(self, text: str) -> None:
        self.send(wire.ANSWER, text.encode()[: wire.MOST_PAYLOAD])

    def event(self, kind: int, channel: int, level: int, count: int, tick: int, end_tick: int) -> None:
        self.send(wire.EVENT, wire.pack_event(kind, channel, level, count, tick, end_tick))

    def fault(self, reason: int, tick: int, value: int = 0) -> bool:
        """Say what went wrong, if that can be said now; if not, it is to be kept."""
        return self.offer(wire.FAULT, wire.pack_fault(reason, wire.ALL_CHANNELS, value, tick))

    def tell_dropped(self, tick: int) -> None:
        """Say how many frames were dropped, once that can be said."""
        if self.untold and self.fault(wire.reason_id("frames_dropped"), tick, self.untold):
            self.untold = 0
