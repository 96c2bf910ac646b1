"""Capture on RP2040 and RP2350: a state machine a channel, DMA into rings, no Python per edge.

The program polls its pin every second cycle and counts X down in the other one: a tick is two cycles, and X is
an absolute clock, because the path taken at an edge costs six cycles and counts three. Endings of a poll:

    level unchanged     next poll two cycles later, one tick counted
    level changed       time and new level go to the FIFO as one word; next poll six cycles later, three ticks

So an edge is stamped with the tick it was polled in; a pulse of two cycles and more is seen unless it lies
within six cycles after another edge. The level in the word is that of the poll, so words of one channel
alternate. X runs through zero without a lost cycle: `jmp x--` at zero falls through, and each one here stands
where falling through and jumping lead to the same place (the last one by the wrap).

What may be lost, and how it is known: words that wait too long in the ring (the DMA count shows it exactly),
and the clock of a machine whose FIFO was full (the block's stall flag shows it; the capture is started anew).

Addresses are those of the RP2040 datasheet, 3.7 and 2.5.7; the RP2350 keeps them.
"""

import rp2
import uctypes
from capture import Ring
from clock import WideClock
from machine import Pin, freq, mem32
from time import sleep_us
from wire import CHANNELS, COUNTS_DOWN, reason_id

TYPE_CHECKING = False
if TYPE_CHECKING:  # names of the state machines' language, which the assembler below provides
    from rp2.asm_pio import *

RING_BITS = 13  # 8 KB a channel: 20 ms at 100,000 edges a second
_PIO0 = 0x50200000
_SET = 0x2000  # alias of a register block: a write sets bits atomically
_FDEBUG = _PIO0 + 0x08
_RXF = _PIO0 + 0x20
_DMA = 0x50000000
_DMA_CHANNELS = 12
_AL1_CTRL = 0x10

# The jumps below start the program inside it; they must name the same places as its labels.
_POLL_HIGH = 5
_POLL_LOW = 11

# Words a channel can count before it must be armed anew. The upper four bits are a mode on the RP2350.
_COUNT = 0x0FFFFFFF
_REARM_BELOW = 0x01000000
_GUARD = 8  # words the DMA may be writing just now
_NOW_MARGIN_US = 4  # timer granularity, and an edge's way through FIFO and DMA


@rp2.asm_pio(in_shiftdir=rp2.PIO.SHIFT_LEFT, autopush=True, push_thresh=32, fifo_join=rp2.PIO.JOIN_RX)
def capture_program() -> None:
    label("rise")
    in_(x, 31)
    in_(y, 1)  # Y holds 1: the level seen by the poll, not the one two cycles later
    jmp(x_dec, "r1")
    label("r1")
    jmp(x_dec, "dwell_high")
    label("dwell_high")
    jmp(x_dec, "high")
    label("high")
    jmp(pin, "dwell_high")
    in_(x, 31)
    in_(null, 1)
    jmp(x_dec, "f1")
    label("f1")
    jmp(x_dec, "dwell_low")
    wrap_target()
    label("dwell_low")
    jmp(x_dec, "low")
    label("low")
    jmp(pin, "rise")
    wrap()


class DmaRing(Ring):
    """A ring filled by a DMA channel from one state machine's FIFO. The channel is claimed when first armed."""

    def __init__(self, data: memoryview, machine: int) -> None:
        super().__init__(data)
        self._at = uctypes.addressof(data)
        # A reference must live as long as the transfer: the finaliser closes the channel.
        self._dma: rp2.DMA = None  # type: ignore[assignment]
        self._ctrl = 0
        self._machine = machine
        self._before = 0  # words of earlier armings
        self._dropped = 0  # words dropped since the start, all armings

    def arm(self) -> None:
        """Begin at the ring's start with nothing in it. Raises OSError where no channel is free."""
        if self._dma is None:
            self._dma = rp2.DMA()
            self._ctrl = self._dma.pack_ctrl(
                size=2, inc_read=False, inc_write=True, ring_size=RING_BITS, ring_sel=1, treq_sel=4 + self._machine
            )
        self._dma.active(False)
        self.next = self._before = self._dropped = 0
        self._dma.config(read=_RXF + 4 * self._machine, write=self._at, count=_COUNT, ctrl=self._ctrl, trigger=True)

    def _rearm(self) -> None:
        """Go on at the same place with a full count; the FIFO bridges the moment, or its stall flag tells."""
        words = self._before + _COUNT - self._left()
        self._dma.active(False)  # clears the count: the place says how many words came after it was read
        self._before = words + ((((self._place() - self._at) >> 2) - words) & (self.room - 1))
        self._dma.config(write=self._place(), count=_COUNT, ctrl=self._ctrl, trigger=True)

    # The stubs lack these two attributes.

    def _place(self) -> int:
        """Where the next word goes. A small integer: nothing is allocated."""
        return self._dma.write  # type: ignore[attr-defined, no-any-return]

    def _left(self) -> int:
        """Words until the count is used up."""
        return self._dma.count  # type: ignore[attr-defined, no-any-return]

    def poll(self) -> int:
        if self._dma is None:
            return 0
        # While the ring's last word is on its way an RP2040 shows an address below the ring: the mask mends it.
        return (((self._place() - self._at) >> 2) - self.next) & (self.room - 1)

    def check(self) -> int:
        count = self._left()
        if count < _REARM_BELOW:
            self._rearm()
            count = self._left()
        waiting = self._before + _COUNT - count - self._dropped
        return waiting if waiting <= self.room - _GUARD else max(waiting, self.room + 1)

    def drop(self, count: int) -> None:
        self.next = (self.next + count) & (self.room - 1)
        self._dropped += count

    def flush(self) -> int:
        count = self._before + _COUNT - self._left() - self._dropped
        self.drop(count)
        return count

    def close(self) -> None:
        if self._dma is not None:
            self._dma.active(False)
            self._dma.close()


class Capture:
    """Four channels on the four machines of PIO block 0."""

    kind = "pio"
    flags = COUNTS_DOWN
    fast = False

    def __init__(self, pins: dict[str, int], clock: WideClock) -> None:
        self._clock = clock
        self.faults: list[tuple[int, int]] = []
        self._hz = freq()
        self.tick_hz = self._hz // 2
        self.zero = 0
        self.rings: list[DmaRing] = []
        self._pins = [Pin(pins[name], Pin.IN, Pin.PULL_UP) for name in CHANNELS]
        self._numbers = [pins[name] for name in CHANNELS]
        self._machines: list[rp2.StateMachine] = []
        _quiet_left_over_channels()
        size = 1 << RING_BITS
        # One block for all rings, and one ring's length more to find the alignment the DMA needs.
        self._memory = bytearray(size * (len(CHANNELS) + 1))
        skip = -uctypes.addressof(self._memory) & (size - 1)
        view = memoryview(self._memory)
        for n in range(len(CHANNELS)):
            self.rings.append(DmaRing(view[skip + n * size : skip + (n + 1) * size], n))

    def channels(self) -> list[dict[str, object]]:
        ns = 1e9 / self.tick_hz
        return [
            {
                "name": name,
                "pin": number,
                "resolution_ns": ns,
                "highest_rate": 100000,
                "shortest_pulse_ns": ns,
            }
            for name, number in zip(CHANNELS, self._numbers)
        ]

    def start(self) -> int:
        """Start all machines in the same cycle. Returns the rig tick of that cycle, at most 2 us late.

        Raises OSError or ValueError where the board gives no machine, no room for the program or no DMA channel.
        """
        self._machines = []
        for n, pin in enumerate(self._pins):
            machine = rp2.StateMachine(n, capture_program, jmp_pin=pin)
            offset = mem32[_PIO0 + 0xD4 + 0x18 * n] & 31  # where the program was put: SMn_ADDR
            machine.exec("mov(x, invert(null))")
            machine.exec("set(y, 1)")
            mem32[_PIO0 + 0xD8 + 0x18 * n] = offset + (_POLL_HIGH if pin.value() else _POLL_LOW)  # SMn_INSTR: jmp
            self._machines.append(machine)
        for ring in self.rings:
            ring.arm()
        mem32[_FDEBUG] = 0x0F  # forget old stalls; a write of 1 clears
        mask = (1 << len(self._machines)) - 1
        mem32[_PIO0 + _SET] = mask | (mask << 8)
        # The clock is read after the start, so that `now` is never ahead of the machines.
        self.zero = (self._clock.us() + 1) * self.tick_hz // 1000000
        return self.zero

    def now(self) -> int:
        return (self._clock.us() - _NOW_MARGIN_US) * self.tick_hz // 1000000

    def late(self) -> int:
        return (self._clock.us() + _NOW_MARGIN_US) * self.tick_hz // 1000000

    def levels(self) -> int:
        bits = 0
        for n, pin in enumerate(self._pins):
            bits |= pin.value() << n
        return bits

    def turn(self) -> bool:
        return False

    def trouble(self) -> int:
        """A stalled machine's clock is late for good, so all are started anew."""
        return reason_id("fifo_stalled") if self._machines and mem32[_FDEBUG] & 0x0F else 0

    def stop(self) -> None:
        """Halt the machines; what they captured stays in the rings."""
        for machine in self._machines:
            machine.active(0)
        self._machines = []
        sleep_us(10)  # the last words go through the DMA

    def close(self) -> None:
        """Free everything, on every way out: a soft reset does not close DMA channels."""
        self.stop()
        for ring in self.rings:
            ring.close()
        self.rings = []
        try:
            rp2.PIO(0).remove_program(capture_program)
        except ValueError:
            pass  # never loaded


def _quiet_left_over_channels() -> None:
    """Disable DMA channels that an earlier run left reading block 0's FIFOs: they write into a heap that is gone."""
    mem32[_PIO0] = 0
    for channel in range(_DMA_CHANNELS):
        at = _DMA + 0x40 * channel
        if _RXF <= mem32[at] < _RXF + 16:
            mem32[at + _AL1_CTRL] = 0
