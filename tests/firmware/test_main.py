"""The program a board starts by itself: how it begins and how it lets go, over stand-ins for everything it uses."""

from __future__ import annotations

import contextlib
import sys
import types
from typing import Any

import pytest
from toothwise.firmware import FOLDER


class Board:
    """`run` starts main.py as a board does. second: another Ctrl-C comes while it lets go. analogue: what the rig
    reads its inputs by."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, adc: Any = None) -> None:
        self.analogue: Any = None
        self.held = self.closed = self.second = False
        self.interrupt = 3  # the character that interrupts, -1: none
        board = self

        class Pin:
            IN = PULL_UP = 0

            def __init__(self, *_: int) -> None:
                pass

            def value(self) -> int:
                return 0 if board.held else 1

        class Rig:
            def __init__(self, *given: Any) -> None:
                board.analogue = given[7]

            def run(self) -> None:
                raise KeyboardInterrupt

            def close(self) -> None:
                if board.second and board.interrupt == 3:
                    raise KeyboardInterrupt
                board.closed = True

        def kbd_intr(character: int) -> None:
            board.interrupt = character

        def nothing(*_: Any) -> None:
            pass

        stands_in: dict[str, dict[str, Any]] = {
            "capture_pio": {"Capture": nothing},
            "clock": {"WideClock": nothing},
            "conductors": {"conductors_on_pins": nothing},
            "line": {"HostGone": OSError, "Line": nothing},
            "machine": {"Pin": Pin, "ADC": adc or nothing},
            "micropython": {"kbd_intr": kbd_intr},
            "panel": {"panel_on_pins": nothing},
            "pattern_pio": {"PioPlayer": nothing},
            "pins": {
                "FEED_FULL_SCALE_MV": 16500,
                "pin_map": lambda: dict.fromkeys(("mark", "feed_volts", "temperature", "pattern", "drive"), 1),
            },
            "rig": {"Rig": Rig},
        }
        for name, content in stands_in.items():
            module = types.ModuleType(name)
            module.__dict__.update(content)
            monkeypatch.setitem(sys.modules, name, module)
        monkeypatch.setattr(sys, "platform", "rp2")

    def run(self) -> None:
        with contextlib.suppress(KeyboardInterrupt):  # the prompt would show it
            exec(compile((FOLDER / "main.py").read_text(), "main.py", "exec"), {"__name__": "__main__"})


def test_a_mark_button_held_at_power_up_leaves_the_prompt(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    board = Board(monkeypatch)
    board.held = True
    board.run()
    assert "not started" in capsys.readouterr().out and not board.closed


@pytest.mark.parametrize("second", [False, True])
def test_ctrl_c_lets_go_of_everything_and_leaves_the_prompt(monkeypatch: pytest.MonkeyPatch, second: bool) -> None:
    board = Board(monkeypatch)
    board.second = second
    board.run()
    assert board.closed and board.interrupt == 3


class Converter:
    """1 V at every input, over 3.3 V."""

    def __init__(self, pin: Any) -> None:
        assert not isinstance(pin, int), "a number is a channel to some ports, a pin to others"

    def read_u16(self) -> int:
        return 65535 * 10 // 33


class RangedConverter(Converter):
    """The same where a range is chosen, the first one ending at 0.95 V; it also tells microvolts."""

    ATTN_0DB, ATTN_11DB = 0, 3
    _range = ATTN_0DB

    def atten(self, chosen: int) -> None:
        self._range = chosen

    def read_u16(self) -> int:
        return super().read_u16() if self._range == self.ATTN_11DB else 65535

    def read_uv(self) -> int:
        return 1_000_000 if self._range == self.ATTN_11DB else 950_000


@pytest.mark.parametrize("converter", [Converter, RangedConverter])
def test_feed_volts_and_temperature(monkeypatch: pytest.MonkeyPatch, converter: type[Converter]) -> None:
    board = Board(monkeypatch, converter)
    board.run()
    feed_mv, raw = board.analogue()
    assert abs(feed_mv - 5000) <= 1 and raw == 65535 * 10 // 33
