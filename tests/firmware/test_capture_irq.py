"""Capture by pin interrupts: the handler under a locked heap, and the loop's side of it."""

from __future__ import annotations

import importlib.util
import subprocess
import types
from typing import Any

import pytest
from toothwise.firmware import FOLDER, wire

from tests.firmware.bareboard import Silicon, load
from tests.firmware.vouch import Account
from tests.firmware.worlds import micropython
from tests.parts import need


def test_handler_allocates_nothing() -> None:
    """On MicroPython itself, the heap locked: any allocation would raise MemoryError."""
    need("the MicroPython unix port", micropython() is not None)
    script = """
import sys
import micropython
class Pin:
    IN = 0; PULL_UP = 1
    level = 0
    def value(self): return self.level
sys.modules["micropython"] = type("M", (), {"alloc_emergency_exception_buf": lambda size: None})
sys.modules["machine"] = type("M", (), {"Pin": Pin})
from capture_irq import Stamps
pin = Pin(); pin.level = 0
stamps = Stamps(pin, 8)
handler = stamps.handler
handler(pin)
stamps.put = 0x3FFFFFFE; stamps.missed = 0; stamps.level = 0
def edges():
    for n in range(5):
        pin.level = n & 1 ^ 1 if n != 3 else 1
        handler(pin)
micropython.heap_lock()
edges()
micropython.heap_unlock()
print(stamps.put, stamps.missed, stamps.level, bytes(stamps.levels).hex())
"""
    path = {"MICROPYPATH": str(FOLDER)}
    run = subprocess.run([str(micropython()), "-c", script], capture_output=True, text=True, env=path)
    assert run.returncode == 0, run.stderr
    # Levels 1 0 1 1 1: two times the same twice running; the index wraps at 30 bits.
    assert run.stdout.split() == ["3", "2", "1", "0101010000000100"]


class Bench:
    """The loop over fake pins whose interrupts the test itself calls."""

    def __init__(self, *, hard: bool = True, without: str = "") -> None:
        self.silicon = Silicon()
        self.board: Any = load(self.silicon, "capture_irq")
        pin = self.board.Pin
        pin.IRQ_RISING, pin.IRQ_FALLING = 1, 2
        bench = self
        self.handlers: dict[int, Any] = {}
        self.levels = [0] * 4

        def irq(self: Any, handler: Any, trigger: int = 0, **options: Any) -> None:
            if options and not hard:
                raise TypeError("unexpected keyword argument 'hard'")
            bench.handlers[self.number - 2] = handler

        pin.irq = irq
        pin.value = lambda self: bench.levels[self.number - 2]
        pins = {name: -1 if name == without else 2 + n for n, name in enumerate(wire.CHANNELS)}
        clock = self.board.clock.WideClock()
        self.capture = self.board.capture_irq.Capture(pins, clock)
        self.frames: list[tuple[int, int, int, bytes]] = []
        decoder = wire.Decoder()

        def send(frame: memoryview) -> bool:
            self.frames.extend(decoder.feed(bytes(frame)))
            return True

        line = types.SimpleNamespace(writable=lambda: True, send=send, read=lambda: None)
        panel = self.board.panel
        self.rig = self.board.rig.Rig(
            "model", pins, self.capture, line, panel.Panel(panel.NoPin(), panel.NoPin(), panel.NoPin()),
            None, None, lambda: (-1, -1), clock,
        )  # fmt: skip

    def edge(self, channel: int, level: int) -> tuple[int, int]:
        self.levels[channel] = level
        self.handlers[channel](None)
        return self.silicon.us(), level

    def wait(self, us: int) -> None:
        self.silicon.advance(125 * us)

    def run(self, ms: int) -> None:
        for _ in range(ms):
            self.rig.turn()
            self.wait(1000)


def test_a_channel_without_a_pin_rests() -> None:
    bench = Bench(without="cam")
    bench.rig.start()
    true = []
    for n in range(20):
        bench.wait(200)
        true.append(bench.edge(0, (n + 1) % 2))
    bench.run(200)
    assert sorted(bench.handlers) == [0, 2, 3]
    assert bench.capture.levels() & 2 == 0
    account = Account(bench.frames, 0)
    account.check([(at - 1000, level) for at, level in true])
    assert not Account(bench.frames, 1).edges


def test_every_board_has_a_number_for_each_name() -> None:
    spec = importlib.util.spec_from_file_location("pins", FOLDER / "pins.py")
    assert spec is not None and spec.loader is not None
    pins = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(pins)
    assert {len(row) for row in pins._MAPS.values()} == {len(pins.NAMES)}


@pytest.mark.parametrize("hard", [True, False])
def test_edges_to_the_microsecond(hard: bool) -> None:
    bench = Bench(hard=hard)
    bench.rig.start()
    true: list[list[tuple[int, int]]] = [[], []]
    for n in range(3000):
        for channel in range(2):
            bench.wait(37 + n % 50)
            true[channel].append(bench.edge(channel, (n + 1) % 2))
        if n % 20 == 0:
            bench.rig.turn()
    bench.run(60)
    for channel in range(2):
        account = Account(bench.frames, channel)
        began = 1000  # the model's clock at power-up, where the rig's begins
        account.check([(at - began, level) for at, level in true[channel]])
        assert len(account.edges) == 3000
    rates = {c["highest_rate"] for c in bench.capture.channels()}
    assert rates == {10_000 if hard else 1000}
    bench.rig.close()
    assert set(bench.handlers.values()) == {None}


def test_a_clock_that_takes_its_time_makes_no_edge_earlier() -> None:
    """An edge dated before its moment may lie before a tick up to which the channel was vouched for already."""
    bench = Bench()

    def slow_us() -> int:
        bench.wait(10)
        return bench.silicon.us() & 0x3FFFFFFF

    bench.board.capture_irq.ticks_us = bench.board.clock.ticks_us = slow_us
    bench.rig.start()
    true = []
    for n in range(100):
        bench.wait(500)
        true.append(bench.edge(0, (n + 1) % 2))
        bench.rig.turn()
    bench.run(60)
    assert Account(bench.frames, 0).edges == [(at - 1000, level) for at, level in true]


def test_same_level_twice_is_counted_and_stays_in_the_words() -> None:
    bench = Bench()
    bench.rig.start()
    for level in (1, 0, 0, 1):
        bench.wait(500)
        bench.edge(0, level)
    bench.run(1100)
    assert [level for _, level in Account(bench.frames, 0).edges] == [1, 0, 0, 1]
    rows = wire.read_counters([f for f in bench.frames if f[1] == wire.COUNTERS][-1][3])[4]
    assert rows[0][2] == 1


@pytest.mark.parametrize("many", [1017, 1024, 1025, 5000])
def test_handler_s_ring_overrun_is_exact(many: int) -> None:
    """A guard of eight entries below the handler's own 1024."""
    bench = Bench()
    bench.rig.start()
    bench.run(20)
    true = []
    for n in range(many):  # no loop turn in between
        bench.wait(11)
        true.append(bench.edge(0, (n + 1) % 2))
    bench.run(60)
    more = [bench.edge(0, (n + 1) % 2) for n in range(2)]
    bench.run(60)
    account = Account(bench.frames, 0)
    account.check([(at - 1000, level) for at, level in true + more])
    assert account.lost() == many and len(account.edges) == 2
    assert account.blind_ticks("ring_overrun") >= many * 11


def test_half_an_hour_of_small_integers() -> None:
    """The port's microseconds wrap at 2**30; the rig's do not."""
    bench = Bench()
    bench.rig.start()
    true = []
    for _ in range(5):
        bench.wait(400_000_000)
        bench.rig.turn()
        true += [bench.edge(0, level) for level in (1, 0)]
        bench.run(30)
    account = Account(bench.frames, 0)
    account.check([(at - 1000, level) for at, level in true])
    assert account.edges[-1][0] > 1 << 30
