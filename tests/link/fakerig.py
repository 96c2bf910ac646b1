"""A rig played from the test: makes the frames a rig would, one call a frame. No hardware, no firmware."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from toothwise.link.frames import wire

TICK_HZ = 1_000_000


class FakeRig:
    """Frames in the order of the calls. `skip()` makes one that is never sent."""

    def __init__(self, boot: int = 7, channels: Sequence[str] = wire.CHANNELS, tick_hz: int = TICK_HZ) -> None:
        self.boot = boot
        self.channels = tuple(channels)
        self.tick_hz = tick_hz
        self.capturing = False
        self.sequence = 0
        self.ordinals = [0] * len(self.channels)

    def frame(self, kind: int, payload: bytes) -> bytes:
        made = wire.make_frame(kind, self.sequence, payload)
        self.sequence = (self.sequence + 1) & wire.SEQUENCE_MASK
        return made

    def skip(self) -> None:
        self.sequence = (self.sequence + 1) & wire.SEQUENCE_MASK

    def hello(self, **changes: object) -> bytes:
        facts = {
            "protocol": wire.PROTOCOL,
            "firmware": wire.FIRMWARE,
            "board": "test board",
            "boot": self.boot,
            "capture": "replay",
            "tick_hz": self.tick_hz,
            "channels": [{"name": name} for name in self.channels],
            "capturing": self.capturing,
        }
        return self.frame(wire.HELLO, wire.pack_hello({**facts, **changes}))

    def started(self, tick: int = 0) -> bytes:
        self.capturing = True
        return self.answer(f"start ok tick={tick}")

    def answer(self, text: str) -> bytes:
        return self.frame(wire.ANSWER, text.encode())

    def edges(
        self, ticks: Sequence[int], channel: int = 0, first_level: int = 1, base: int | None = None, down: bool = False
    ) -> bytes:
        levels = (np.arange(len(ticks)) + first_level) % 2
        times = np.array(ticks, np.int64) & wire.TIME_MASK
        if down:
            times ^= wire.TIME_MASK
        words = ((times << 1) | levels).astype("<u4").tobytes()
        start = ticks[0] if base is None else base
        flags = wire.COUNTS_DOWN if down else 0
        payload = wire.pack_edges(channel, start, words, flags, ordinal=self.ordinals[channel])
        self.ordinals[channel] = (self.ordinals[channel] + len(ticks)) & wire.SEQUENCE_MASK
        return self.frame(wire.EDGES, payload)

    def heartbeat(self, tick: int, until: Sequence[int] | None = None, levels: int = 0) -> bytes:
        vouched = list(until) if until is not None else [tick] * len(self.channels)
        state = wire.CAPTURING if self.capturing else 0
        return self.frame(wire.HEARTBEAT, wire.pack_heartbeat(tick, tick, self.boot, levels, state, vouched))

    def blind(self, start: int, end: int, reason: str = "ring_overrun", channel: int = 0, lost: int = 0) -> bytes:
        return self.frame(wire.BLIND, wire.pack_blind(channel, wire.reason_id(reason), start, end, lost))
