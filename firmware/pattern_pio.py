"""Plays the self-check pattern on RP2040 and RP2350: one machine of block 1, fed by DMA from a table.

A word holds a duration in its upper 31 bits and the level in bit 0; a level lasts the duration plus three
cycles, to the cycle. The table of the whole sweep is some 11 KB and lives only while it plays.
"""

import pattern_out
import rp2
from array import array
from clock import now_ms, since_ms
from machine import Pin, freq

_TXF = 0x50300010  # block 1, first FIFO
_MACHINE = 4  # the first of block 1
_TREQ = 8  # its TX request
_OVERHEAD = 3  # cycles a step takes beside its count
_LAST_STEPS_MS = 80  # the FIFO is empty while the last two steps still last, up to half a slot at 30 rpm each

TYPE_CHECKING = False
if TYPE_CHECKING:  # names of the state machines' language, which the assembler below provides
    from rp2.asm_pio import *


@rp2.asm_pio(out_init=rp2.PIO.OUT_LOW, out_shiftdir=rp2.PIO.SHIFT_LEFT, autopull=True, pull_thresh=32)
def pattern_program() -> None:
    wrap_target()
    out(x, 31)
    out(pins, 1)
    label("last")
    jmp(x_dec, "last")
    wrap()


class PioPlayer:
    top_rpm = pattern_out.TOP_RPM

    def __init__(self, pin: int) -> None:
        self._pin = pin
        self._machine: rp2.StateMachine | None = None
        self._dma: rp2.DMA = None  # type: ignore[assignment]  # claimed when first played
        self._table = array("I")
        self._last_ms = 0
        self.edges = 0

    def play(self, tick_hz: int) -> tuple[int, int]:
        """Begin the sweep. tick_hz: ticks of two cycles, as the capture counts them. Returns its edges and ticks."""
        table = array("I")
        level = 0
        total = 0
        self.edges = 0
        for wanted, ticks in pattern_out.steps(tick_hz):
            table.append((2 * ticks - _OVERHEAD) << 1 | wanted)
            if wanted != level:
                self.edges += 1
                level = wanted
            total += ticks
        self._begin(table, len(table), 0)
        return self.edges, total

    def rate(self, hz: int, ms: int) -> bool:
        """Begin a square wave of `hz` edges a second that lasts `ms`. False if this clock cannot."""
        cycles = freq() // hz
        if cycles <= _OVERHEAD:
            return False
        count = (hz * ms // 1000) & ~1
        self.edges = count
        word = (cycles - _OVERHEAD) << 1
        if count > 0:
            # The DMA goes round in two words; the heap's blocks are aligned to more than their eight bytes.
            self._begin(array("I", (word | 1, word)), count, 3)
        return count > 0

    def _begin(self, table, count: int, ring_bits: int) -> None:  # type: ignore[no-untyped-def]
        """Raises OSError or ValueError where the board gives no DMA channel, machine or room for the program."""
        if self._dma is None:
            self._dma = rp2.DMA()
        self.stop()
        self._table = table
        machine = rp2.StateMachine(_MACHINE, pattern_program, out_base=Pin(self._pin))
        ctrl = self._dma.pack_ctrl(
            size=2, inc_read=True, inc_write=False, ring_size=ring_bits, ring_sel=0, treq_sel=_TREQ
        )
        self._dma.config(read=table, write=_TXF, count=count, ctrl=ctrl, trigger=True)
        machine.active(1)
        self._machine = machine
        self._last_ms = now_ms()

    def turn(self) -> bool:
        """True while it plays."""
        machine = self._machine
        if machine is None:
            return False
        now = now_ms()
        if self._dma.active() or machine.tx_fifo():
            self._last_ms = now
            return True
        if since_ms(self._last_ms, now) < _LAST_STEPS_MS:
            return True
        self.stop()
        return False

    def stop(self) -> None:
        if self._dma is not None:
            self._dma.active(False)
        if self._machine is not None:
            self._machine.active(0)
            self._machine = None
            Pin(self._pin, Pin.OUT, value=0)
        self._table = array("I")

    def close(self) -> None:
        self.stop()
        if self._dma is not None:
            self._dma.close()
        try:
            rp2.PIO(1).remove_program(pattern_program)
        except ValueError:
            pass  # never loaded
