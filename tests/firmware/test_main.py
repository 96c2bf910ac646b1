"""The program a board starts by itself: how it begins and how it lets go, over stand-ins for everything it uses."""

from __future__ import annotations

import contextlib
import sys
import types
from typing import Any

import pytest
from toothwise.firmware import FOLDER


class Board:
    """`run` starts main.py as a board does. second: another Ctrl-C comes while it lets go."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
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
            def __init__(self, *_: Any) -> None:
                pass

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
            "machine": {"Pin": Pin, "ADC": nothing},
            "micropython": {"kbd_intr": kbd_intr},
            "panel": {"panel_on_pins": nothing},
            "pattern_pio": {"PioPlayer": nothing},
            "pins": {
                "FEED_FULL_SCALE_MV": 1,
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
