"""Loads the firmware's board files into CPython over stand-ins for MicroPython's modules.

`Silicon` is a plain model of what the capture touches on an RP2040: block 0's machines, their FIFOs, DMA channels,
the microsecond timer. Its machines follow the rule that `test_statemachine.py` proves of the program on the
cycle-by-cycle emulator; time passes only by `advance`.
"""

from __future__ import annotations

import importlib.util
import sys
import types
from array import array
from collections import deque
from typing import Any

from toothwise.firmware import FOLDER

from tests.firmware import pioasm

CLOCK_HZ = 125_000_000
CYCLES_A_US = CLOCK_HZ // 1_000_000
_PIO0 = 0x50200000
_RAM = 0x20010000


def words_of(
    edges: list[tuple[int, int]], level: int, until_cycle: int, x: int = 0xFFFFFFFF
) -> tuple[list[tuple[int, int]], int, int]:
    """The rule: poll every second cycle; an edge costs six cycles and three ticks.

    edges: (cycle, level) of the line; cycle 0 is a poll. Returns the words as (cycle of the poll, word), the level
    the machine holds, and the cycle of its next poll at or after `until_cycle`.
    """
    words = []
    poll = 0
    n = 0
    line = level
    while True:
        while n < len(edges) and edges[n][0] <= poll:
            line = edges[n][1]
            n += 1
        if line != level:
            if poll >= until_cycle:
                break
            words.append((poll, ((x - poll // 2) & 0x7FFFFFFF) << 1 | line))
            level = line
            poll += 6
            continue
        # Nothing changes until the line's next edge: go to the first poll at or after it.
        following = edges[n][0] if n < len(edges) else until_cycle
        target = min(following, until_cycle)
        if target > poll:
            poll += (target - poll + 1) // 2 * 2
        if poll >= until_cycle and not (n < len(edges) and edges[n][0] <= poll < until_cycle):
            break
    return words, level, poll


class Machine:
    """One state machine of block 0: its line's edges in, words out."""

    def __init__(self) -> None:
        self.fifo: deque[int] = deque()
        self.line: list[tuple[int, int]] = []  # (cycle of the silicon, level), to come
        self.level_now = 0
        self.holds = 0
        self.began = -1  # cycle of the first poll
        self.next_poll = 0
        self.y = 0
        self.x = 0
        self.running = False


class Silicon:
    """Time, registers, machines and DMA; see the module's docstring."""

    def __init__(self) -> None:
        self.cycle = 1000 * CYCLES_A_US
        self.machines = [Machine() for _ in range(4)]
        self.channels: list[Any] = []
        self.closed = 0
        self.stalled = 0
        self.memory: dict[int, memoryview] = {}
        self.next_address = _RAM + 20  # nothing in a heap is aligned to kilobytes
        self.offset = 20  # where the loader puts a program of 12 words: at the end of 32
        self.program: pioasm.Program | None = None
        self.dma_works = True
        self.refuses: dict[str, Exception] = {}  # "machine" or "dma": what asking for one more raises

    # ---- time

    def us(self) -> int:
        return self.cycle // CYCLES_A_US

    def advance(self, cycles: int) -> None:
        end = self.cycle + cycles
        for number, machine in enumerate(self.machines):
            self._run(number, machine, end)
        self.cycle = end

    def _run(self, number: int, machine: Machine, end: int) -> None:
        due = [edge for edge in machine.line if edge[0] < end]
        machine.line = machine.line[len(due) :]
        if machine.running:
            start = machine.next_poll
            if machine.level_now != machine.holds:
                due = [(start, machine.level_now), *due]
            relative = [(max(at - start, 0), level) for at, level in due]
            x = machine.x - (start - machine.began) // 2
            words, machine.holds, poll = words_of(relative, machine.holds, end - start, x)
            machine.next_poll = start + poll
            for _, word in words:
                machine.fifo.append(word)
                self._transfer(number, machine)
            if len(machine.fifo) > 8:
                self.stalled |= 1 << number
        if due:
            machine.level_now = due[-1][1]

    def _transfer(self, number: int, machine: Machine) -> None:
        if not self.dma_works:
            return
        for channel in self.channels:
            if channel.busy and channel.read_at == _PIO0 + 0x20 + 4 * number:
                while machine.fifo and channel.left:
                    channel.put(machine.fifo.popleft())

    # ---- registers

    def __getitem__(self, at: int) -> int:
        self.advance(60)  # an interpreter is slow beside its chip
        for n in range(4):
            if at == _PIO0 + 0xD4 + 0x18 * n:
                return self.offset
        if at == _PIO0 + 0x08:
            return self.stalled
        if 0x50000000 <= at < 0x50000000 + 12 * 0x40:
            number = (at - 0x50000000) // 0x40
            return self.channels[number].read_at if number < len(self.channels) else 0
        raise AssertionError(f"unexpected read of {at:#x}")

    def __setitem__(self, at: int, value: int) -> None:
        self._set(at, value)
        self.advance(60)

    def _set(self, at: int, value: int) -> None:
        if at == _PIO0:
            for machine in self.machines:
                machine.running = False
        elif at == _PIO0 + 0x2000:
            assert value == 0x0F0F, "machines and their clock dividers start together"
            for machine in self.machines:
                assert (machine.x, machine.y) == (0xFFFFFFFF, 1)
                machine.running = True
                machine.began = machine.next_poll = self.cycle
        elif at == _PIO0 + 0x08:
            self.stalled &= ~value
        else:
            number = (at - _PIO0 - 0xD8) // 0x18
            assert at == _PIO0 + 0xD8 + 0x18 * number and value < 32, "an unconditional jump"
            assert self.program is not None
            places = {self.offset + place: name for name, place in self.program.labels.items()}
            self.machines[number].holds = {"high": 1, "low": 0}[places[value]]

    # ---- memory, as uctypes gives it

    def address_of(self, view: Any) -> int:
        view = memoryview(view)
        owner = view.obj
        at = next((at for at, known in self.memory.items() if known.obj is owner), None)
        if at is None:
            at = self.next_address
            self.next_address += (len(memoryview(owner)) + 63) & ~15
            self.memory[at] = memoryview(owner)
        import ctypes

        def start(of: memoryview) -> int:
            return ctypes.addressof(ctypes.c_char.from_buffer(of))

        return at + start(view) - start(self.memory[at])

    def write(self, at: int, word: int) -> None:
        for start, view in self.memory.items():
            if start <= at < start + len(view):
                view[at - start : at - start + 4] = word.to_bytes(4, "little")
                return
        raise AssertionError(f"DMA writes to {at:#x}, which belongs to nobody")


def load(silicon: Silicon, capture: str = "capture_pio") -> types.SimpleNamespace:
    """The firmware's modules, freshly loaded over this silicon, one kind of capture among them."""

    class Dma:
        def __init__(self) -> None:
            if "dma" in silicon.refuses:
                raise silicon.refuses["dma"]
            self.read_at = self.write_at = self.left = 0
            self.ring = 0
            self.busy = False
            silicon.channels.append(self)

        def pack_ctrl(self, **fields: int) -> dict[str, int]:
            return fields

        def config(self, *, read: int = -1, write: int, count: int, ctrl: dict[str, int], trigger: bool) -> None:
            assert (ctrl["size"], ctrl["inc_read"], ctrl["inc_write"], ctrl["ring_sel"]) == (2, False, True, 1)
            self.read_at = read if read >= 0 else self.read_at
            assert ctrl["treq_sel"] == 4 + (self.read_at - _PIO0 - 0x20) // 4
            self.ring = 1 << ctrl["ring_size"]
            self.write_at, self.left, self.busy = write, count, trigger
            assert write & ~(self.ring - 1) == write - (write & (self.ring - 1))

        def put(self, word: int) -> None:
            silicon.write(self.write_at, word)
            self.write_at = (self.write_at & ~(self.ring - 1)) | ((self.write_at + 4) & (self.ring - 1))
            self.left -= 1

        @property
        def write(self) -> int:
            return self.write_at

        @property
        def count(self) -> int:
            silicon.advance(60)
            return self.left

        def active(self, on: bool | None = None) -> bool:
            if on is not None:
                self.busy = on
                if not on:
                    self.left = 0  # RP2040 datasheet, 2.5.5.3: an abort clears the transfer counter
            return self.busy

        def close(self) -> None:
            assert not self.busy
            silicon.closed += 1

    class StateMachine:
        def __init__(self, number: int, program: pioasm.Program, *, jmp_pin: Any) -> None:
            if "machine" in silicon.refuses:
                raise silicon.refuses["machine"]
            silicon.program = program
            self.machine = silicon.machines[number]
            self.machine.fifo.clear()
            self.machine.running = False
            assert jmp_pin.number == number + 2

        def exec(self, text: str) -> None:
            if text == "mov(x, invert(null))":
                self.machine.x = 0xFFFFFFFF
            elif text == "set(y, 1)":
                self.machine.y = 1
            else:
                raise AssertionError(text)

        def active(self, on: int) -> None:
            self.machine.running = bool(on)

    class Pin:
        IN, OUT, PULL_UP = 0, 1, 1

        def __init__(self, number: int, *_: int) -> None:
            if number < 0:
                raise ValueError("invalid pin")
            self.number = number

        def value(self) -> int:
            return silicon.machines[self.number - 2].level_now

    class Pio:
        SHIFT_LEFT, JOIN_RX, OUT_LOW = 0, 2, 2

        def __init__(self, number: int) -> None:
            pass

        def remove_program(self, program: pioasm.Program) -> None:
            silicon.program = None

    def sleep_us(us: int) -> None:
        silicon.advance(us * CYCLES_A_US)

    stands_in = {
        "rp2": dict(asm_pio=pioasm.asm_pio, PIO=Pio, DMA=Dma, StateMachine=StateMachine),
        "uctypes": dict(addressof=silicon.address_of),
        "machine": dict(Pin=Pin, freq=lambda: CLOCK_HZ, mem32=silicon),
        "micropython": dict(alloc_emergency_exception_buf=lambda size: None),
        "time": dict(
            ticks_us=lambda: silicon.us() & 0x3FFFFFFF,
            ticks_ms=lambda: silicon.us() // 1000 & 0x3FFFFFFF,
            ticks_add=lambda a, b: (a + b) & 0x3FFFFFFF,
            ticks_diff=lambda a, b: ((a - b + 0x20000000) & 0x3FFFFFFF) - 0x20000000,
            sleep_us=sleep_us,
            sleep_ms=lambda ms: sleep_us(1000 * ms),
        ),
        "gc": dict(collect=lambda: None, mem_free=lambda: 100_000, mem_alloc=lambda: 60_000),
    }
    files = (
        *("wire", "clock", "capture", "pattern_out", "line", "post", "flow", "panel", "contacts", "commands"),
        *("conductors", "drive", capture, "rig"),
    )
    before = {name: sys.modules.get(name) for name in (*stands_in, *files)}
    loaded = types.SimpleNamespace(Pin=Pin)
    try:
        for name, content in stands_in.items():
            module = types.ModuleType(name)
            module.__dict__.update(content)
            sys.modules[name] = module
        for name in files:
            sys.modules.pop(name, None)
        for name in files:
            spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
            assert spec is not None and spec.loader is not None
            module = importlib.util.module_from_spec(spec)
            sys.modules[name] = module
            spec.loader.exec_module(module)
            setattr(loaded, name, module)
    finally:
        for name, old in before.items():
            if old is None:
                sys.modules.pop(name, None)
            else:
                sys.modules[name] = old
    return loaded


PROGRAM_FILES = ("capture_pio", "pattern_pio")


def program(file: str, name: str) -> pioasm.Program:
    """One state-machine program, assembled from the firmware's own file."""
    source = (FOLDER / f"{file}.py").read_text()
    start = source.index("@rp2.asm_pio", 0)
    end = source.index("\n\n\n", start)
    scope: dict[str, Any] = {"rp2": types.SimpleNamespace(asm_pio=pioasm.asm_pio, PIO=_PioNames)}
    exec(compile(source[start:end], str(FOLDER / f"{file}.py"), "exec"), scope)
    found = scope[name]
    assert isinstance(found, pioasm.Program)
    return found


class _PioNames:
    SHIFT_LEFT, JOIN_RX, OUT_LOW = 0, 2, 2


__all__ = ["CYCLES_A_US", "Machine", "Silicon", "array", "load", "program", "words_of"]
