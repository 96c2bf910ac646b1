"""The line, the panel and waiting, alone: frames whole or not at all, buttons debounced, no clock that runs over."""

from __future__ import annotations

import importlib.util
import sys
import types
from typing import Any

import pytest
from toothwise.firmware import FOLDER

from tests.firmware.bareboard import CYCLES_A_US, Silicon, load


class Sink:
    """Takes so many bytes a write; None where it would block."""

    def __init__(self, takes: list[int | None]) -> None:
        self.takes = takes
        self.got = b""

    def write(self, data: Any) -> int | None:
        most = self.takes.pop(0) if self.takes else len(data)
        if most is None:
            return None
        self.got += bytes(data[:most])
        return min(most, len(data))


def line_over(sink: Sink, source: Any = None) -> Any:
    """The firmware's Line, its `select` always ready."""

    class Poll:
        def register(self, stream: Any, flags: int) -> None:
            pass

        def ipoll(self, timeout: int) -> list[tuple[Any, int]]:
            return [(None, 5)]

    stand_in = types.ModuleType("select")
    stand_in.__dict__.update(poll=Poll, POLLIN=1, POLLOUT=4, POLLHUP=16)
    spec = importlib.util.spec_from_file_location("line_alone", FOLDER / "line.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    real = sys.modules["select"]
    sys.modules["select"] = stand_in
    try:
        spec.loader.exec_module(module)
    finally:
        sys.modules["select"] = real
    return module.Line(source, sink)


@pytest.mark.parametrize("takes", [[10], [10, 5, 1], [10, None, None, 3], [None], [0, 0, 7, None]])
def test_a_frame_begun_is_finished_before_the_next(takes: list[int | None]) -> None:
    sink = Sink(list(takes))
    line = line_over(sink)
    sent = []
    for n in range(12):
        frame = bytes([n]) * 40
        if line.writable() and line.send(memoryview(frame)):
            sent.append(frame)
    while not line.writable():
        pass
    assert sink.got == b"".join(sent) and len(sent) >= 12 - len(takes) - 1


def test_button_that_bounces_is_one_press() -> None:
    silicon = Silicon()
    board = load(silicon)
    level = [1]
    button = types.SimpleNamespace(value=lambda: level[0])
    panel = board.panel.Panel(button, board.panel.NoPin(), board.panel.NoPin())
    presses = 0

    def run(ms: int) -> None:
        nonlocal presses
        for _ in range(ms):
            silicon.advance(1000 * CYCLES_A_US)
            presses += panel.turn()

    run(50)
    for _ in range(4):  # contacts bounce for some milliseconds, both ways
        level[0] = 0
        run(3)
        level[0] = 1
        run(2)
    assert presses == 0
    level[0] = 0
    run(19)
    assert presses == 0
    run(5)
    assert presses == 1
    run(500)
    for _ in range(4):
        level[0] = 1
        run(2)
        level[0] = 0
        run(3)
    run(100)
    assert presses == 1
    level[0] = 1
    run(50)
    level[0] = 0
    run(50)
    assert presses == 2


@pytest.mark.parametrize("days", [1, 6, 7, 12, 13, 40])
def test_what_is_due_once_a_period_is_due_after_any_pause(days: int) -> None:
    """A board that stood idle for a week: its milliseconds run over after twelve days and a half."""
    silicon = Silicon()
    every = load(silicon).clock.Every(10)
    assert every.due(silicon.us() // 1000)
    assert not every.due(silicon.us() // 1000 + 9)
    silicon.cycle += days * 86_400_000_000 * CYCLES_A_US
    now = silicon.us() // 1000 & 0x3FFFFFFF
    assert every.due(now) and not every.due(now + 1 & 0x3FFFFFFF)
