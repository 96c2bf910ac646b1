"""The drive's pins on a board, over stand-ins for MicroPython's `machine`."""

from __future__ import annotations

import importlib.util
import sys
import types
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from toothwise.firmware import FOLDER

PINS = {"drive": 14, "direction": 15, "enable": 16}


class Board:
    """pins: level of each; pulses: (frequency, duty of 65535) of the generator, None where there is none."""

    def __init__(self) -> None:
        self.pins: dict[int, int] = {}
        self.pulses: dict[int, list[int]] = {}
        self.timers: list[Callable[[Any], None]] = []
        self.ms = 0
        self.before_level: Callable[[], None] = lambda: None


@pytest.fixture
def loaded() -> Iterator[tuple[Board, Any]]:
    """The board and the drive made on it."""
    board = Board()

    class Pin:
        OUT = 1

        def __init__(self, number: int, mode: int = 0, value: int | None = None) -> None:
            self.number = number
            if value is not None:
                self.value(value)

        def value(self, level: int) -> None:
            board.before_level()
            board.pins[self.number] = level

    class PWM:
        def __init__(self, pin: Pin, freq: int, duty_u16: int) -> None:
            self.at = board.pulses.setdefault(pin.number, [freq, duty_u16])
            self.number = pin.number

        def freq(self, hz: int) -> None:
            self.at[0] = hz

        def duty_u16(self, duty: int) -> None:
            self.at[1] = duty

        def deinit(self) -> None:
            del board.pulses[self.number]

    class Timer:
        PERIODIC = 1

        def __init__(self, number: int) -> None:
            self.callback: Callable[[Any], None] | None = None

        def init(self, period: int, mode: int, callback: Callable[[Any], None]) -> None:
            self.callback = callback
            board.timers.append(callback)

        def deinit(self) -> None:
            assert self.callback is not None
            board.timers.remove(self.callback)

    stands_in = {
        "machine": {"Pin": Pin, "PWM": PWM, "Timer": Timer},
        "clock": {"now_ms": lambda: board.ms, "since_ms": lambda then, now: now - then},
    }
    before = {name: sys.modules.get(name) for name in (*stands_in, "drive", "drive_pwm")}
    try:
        for name, content in stands_in.items():
            sys.modules[name] = types.ModuleType(name)
            sys.modules[name].__dict__.update(content)
        for name in ("drive", "drive_pwm"):
            spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
            assert spec is not None and spec.loader is not None
            sys.modules[name] = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(sys.modules[name])
        yield board, sys.modules["drive_pwm"].drive_on_pins(PINS)
    finally:
        for name, module in before.items():
            if module is None:
                sys.modules.pop(name, None)
            else:
                sys.modules[name] = module


def at_rest(board: Board) -> bool:
    return not board.pulses and not board.timers and board.pins[14] == 0 and board.pins[16] == 0


def test_width(loaded: tuple[Board, Any]) -> None:
    board, drive = loaded
    drive.arm("pwm", 3000, 116, 20000, 0, [0, 0])
    assert board.pulses[14] == [20000, 0]
    drive.set(500)
    assert (board.pulses[14], board.pins[15], board.pins[16]) == ([20000, 32767], 0, 1)
    drive.set(-2000)
    assert (board.pulses[14], board.pins[15], board.pins[16]) == ([20000, 65535], 1, 1)
    drive.stop("")
    assert at_rest(board)


def test_steps(loaded: tuple[Board, Any]) -> None:
    board, drive = loaded
    drive.arm("step", 600, 116, 200, 4000, [0, 0])
    drive.set(1000)
    for _ in range(100):
        board.ms += 5
        drive.set(1000)
        assert drive.turn([0, 0], True) == ""
    assert (board.pulses[14], board.pins[16]) == ([1000, 32768], 1)
    drive.close()
    assert at_rest(board)


def test_lets_go_while_the_loop_is_held_up(loaded: tuple[Board, Any]) -> None:
    """The timer's own watch; the loop then finds the reason."""
    board, drive = loaded
    drive.arm("pwm", 3000, 116, 20000, 0, [0, 0])
    drive.set(500)
    board.ms += 350
    board.timers[0](None)
    assert board.pulses[14][1] == 32767
    board.ms += 60
    board.timers[0](None)
    assert at_rest(board)
    assert drive.turn([0, 0], True) == "drive_link_lost"
    assert at_rest(board) and not drive.running


def test_what_was_let_go_is_not_enabled_again(loaded: tuple[Board, Any]) -> None:
    """A word that waited in the line is read before the loop looks after the drive."""
    board, drive = loaded
    drive.arm("pwm", 3000, 116, 20000, 0, [0, 0])
    drive.set(500)
    board.ms += 450
    board.timers[0](None)
    drive.set(600)
    assert at_rest(board)
    assert drive.turn([0, 0], True) == "drive_link_lost"
    assert drive.stopped_by == "drive_link_lost" and not drive.running
    drive.arm("pwm", 3000, 116, 20000, 0, [0, 0])
    drive.set(600)
    assert board.pins[16] == 1 and len(board.timers) == 1


def test_let_go_in_the_middle_of_a_change(loaded: tuple[Board, Any]) -> None:
    """The timer strikes between two pins of the output, at each of them once."""
    board, drive = loaded
    for place in range(2):
        drive.arm("step", 3000, 116, 200, 4000, [0, 0])
        drive.set(1000)
        board.ms += 395
        changes = []

        def strike(place: int = place, changes: list[int] = changes) -> None:
            changes.append(1)
            if len(changes) == place + 1:
                board.before_level = lambda: None
                board.ms += 60
                board.timers[0](None)

        board.before_level = strike
        drive.turn([0, 0], True)
        assert len(changes) == place + 1 and at_rest(board)
        assert drive.turn([0, 0], True) == "drive_link_lost"


def test_a_sensor_that_misses_teeth_does_not_hide_the_speed(loaded: tuple[Board, Any]) -> None:
    """The master counts the teeth that the sensor under test does not see."""
    board, drive = loaded
    drive.arm("pwm", 3000, 120, 20000, 0, [0, 0])
    for ms in range(100, 400, 50):
        board.ms = ms
        drive.set(500)
        reason = drive.turn([ms, 10 * ms], True)  # 10 edges a millisecond are 5000 rpm
        if reason:
            break
    assert reason == "drive_overspeed" and at_rest(board)


def test_stops_within_half_a_second_of_the_last_word(loaded: tuple[Board, Any]) -> None:
    board, drive = loaded
    drive.arm("pwm", 3000, 120, 20000, 0, [0, 0])
    drive.set(500)
    while not at_rest(board):
        board.ms += 5
        drive.turn([6 * board.ms, 0], True)
    assert board.ms <= 500
