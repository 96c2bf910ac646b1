"""Capture on any board with pin interrupts: microseconds, no allocation in the handler.

What can be lost, and what of it is known:

- An edge that comes before the handler of the last one is done: the port keeps one pending interrupt a pin, so a
  short pulse shows as the same level twice. That is counted as missed, and stays in the words as two equal levels.
- A pulse over before its first interrupt runs: one stamp, the level unchanged. Counted the same way.
- Two pulses in that time: nothing is seen of the second. This is why the hello states a highest rate.
- Entries that wait longer than the handler's own ring holds: known exactly, by its index.

Where the port has no hard interrupts the handler runs between two bytecodes of the loop: stamps may be late
by a loop turn's longest step (some hundred microseconds).
"""

import struct
from array import array
from capture import Ring, plain_ring
from clock import WideClock
from machine import Pin
from time import ticks_diff, ticks_us
from wire import CHANNELS, TIME_MASK

import micropython

_ROOM = 1024  # entries between handler and loop, and words between loop and frame; a power of two
_TURN = 128  # entries turned into words in one loop turn

micropython.alloc_emergency_exception_buf(100)


class Stamps:
    """What the interrupt of one pin writes and the loop reads.

    Everything the handler touches exists beforehand, every number stays below 2**30, and it is a method bound once:
    a call of a closure over as many names would allocate, and so would binding it anew.
    """

    def __init__(self, pin, room: int) -> None:  # type: ignore[no-untyped-def]
        self.pin = pin
        self.times = array("i", bytearray(4 * room))
        self.levels = bytearray(room)
        self.mask = room - 1
        self.put = 0  # entries put in, 30 bits
        self.missed = 0  # edges missed, 30 bits
        self.level = 0
        self.handler = self.stamp

    def stamp(self, _) -> None:  # type: ignore[no-untyped-def]
        now = ticks_us()
        level = self.pin.value()
        at = self.put
        if level == self.level:
            self.missed = (self.missed + 1) & 0x3FFFFFFF
        self.level = level
        self.times[at & self.mask] = now  # type: ignore[call-overload]  # a plain number to the interpreter
        self.levels[at & self.mask] = level
        self.put = (at + 1) & 0x3FFFFFFF


class PinRing(Ring):
    """A ring filled from a handler's entries by `convert`, in the loop."""

    def __init__(self, pin) -> None:  # type: ignore[no-untyped-def]
        super().__init__(plain_ring(_ROOM).data)
        self.pin = pin
        self.stamps = Stamps(pin, _ROOM)
        self._read = 0
        self._overrun = False
        self._word = bytearray(4)
        self._words = memoryview(self._word)

    def check(self) -> int:
        return max(self._put, self.room + 1) if self._overrun else self._put

    def flush(self) -> int:
        lost = self._put
        self.drop(lost)
        self._overrun = False
        return lost

    def begin(self) -> None:
        self.flush()
        self.stamps.level = self.pin.value()
        self._read = self.stamps.put

    def convert(self, clock: WideClock) -> bool:
        """Entries to words, a bounded number a turn. True if some are left."""
        waiting = (self.stamps.put - self._read) & 0x3FFFFFFF
        if waiting > _ROOM - 8:
            # The handler overwrote entries: skip them all. They count as put, so that the loss is exact.
            self._read = (self._read + waiting) & 0x3FFFFFFF
            self.drop(-waiting)
            self._overrun = True
            return False
        wide = clock.us()
        now = clock.last
        for _ in range(min(waiting, _TURN)):
            at = self._read & (_ROOM - 1)
            tick = wide + ticks_diff(self.stamps.times[at], now)  # type: ignore[type-var]
            struct.pack_into("<I", self._word, 0, ((tick & TIME_MASK) << 1) | self.stamps.levels[at])
            self.put(self._words, 1)
            self._read = (self._read + 1) & 0x3FFFFFFF
        self.missed = self.stamps.missed
        return waiting > _TURN


class Unwired:
    """Stands in for a channel's pin that this board does not have."""

    def value(self) -> int:
        return 0

    def irq(self, handler, trigger=0, hard=False):  # type: ignore[no-untyped-def]
        pass


class Capture:
    """Every channel that has a pin on this board; the others rest at level 0."""

    kind = "irq"
    flags = 0
    fast = False
    tick_hz = 1000000
    zero = 0

    def __init__(self, pins: dict[str, int], clock: WideClock) -> None:
        self._clock = clock
        self.faults: list[tuple[int, int]] = []
        self._numbers = [pins[name] for name in CHANNELS]
        self.rings = [
            PinRing(Pin(number, Pin.IN, Pin.PULL_UP) if number >= 0 else Unwired()) for number in self._numbers
        ]
        self.hard = True

    def channels(self) -> list[dict[str, object]]:
        # From the port's interrupt latency: a hard handler takes tens of microseconds, a soft one up to a
        # loop turn's longest step. To be measured by `self-check rate`.
        rate, pulse_ns = (10000, 50000.0) if self.hard else (1000, 500000.0)
        return [
            {"name": name, "pin": number, "resolution_ns": 1000.0, "highest_rate": rate, "shortest_pulse_ns": pulse_ns}
            for name, number in zip(CHANNELS, self._numbers)
        ]

    def start(self) -> int:
        trigger = Pin.IRQ_RISING | Pin.IRQ_FALLING
        for ring in self.rings:
            ring.begin()
            try:
                ring.pin.irq(ring.stamps.handler, trigger, hard=True)
            except (TypeError, ValueError):  # this port has soft interrupts alone
                self.hard = False
                ring.pin.irq(ring.stamps.handler, trigger)
        return self._clock.us()

    def now(self) -> int:
        """Everything stamped before the returned tick has been put into the rings on return."""
        tick = self._clock.us()
        for ring in self.rings:
            for _ in range(_ROOM // _TURN):
                if not ring.convert(self._clock):
                    break
        return tick

    def late(self) -> int:
        return self._clock.us() + 1

    def levels(self) -> int:
        bits = 0
        for n, ring in enumerate(self.rings):
            bits |= ring.pin.value() << n
        return bits

    def turn(self) -> bool:
        busy = False
        for ring in self.rings:
            busy = ring.convert(self._clock) or busy
        return busy

    def trouble(self) -> int:
        return 0

    def stop(self) -> None:
        for ring in self.rings:
            ring.pin.irq(None)

    def close(self) -> None:
        self.stop()
