"""Stands in for the `rp2` module's assembler, so that the program's words come from the firmware's own source.

Encodings from the RP2040 datasheet, section 3.4 (instruction set) and 3.7 (SMn_SHIFTCTRL, SMn_EXECCTRL).
Only what the firmware uses is here; anything else raises NameError when its file is loaded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

SOURCES = {"pins": 0, "x": 1, "y": 2, "null": 3, "isr": 6, "osr": 7}
JUMPS = {"x_dec": 2, "pin": 6}


@dataclass
class Program:
    """An assembled program and how its machine is set up."""

    words: list[int]
    wrap_target: int
    wrap_top: int
    labels: dict[str, int]
    setup: dict[str, Any] = field(default_factory=dict)


def asm_pio(**setup: Any) -> Callable[[Callable[[], None]], Program]:
    def assemble(source: Callable[[], None]) -> Program:
        labels: dict[str, int] = {}
        words: list[int] = []
        wrap = [0, -1]

        def label(name: str) -> None:
            labels[name] = len(words)

        def jmp(condition: Any, target: str | None = None) -> None:
            if target is None:
                condition, target = 0, condition
            words.append(condition << 5 | labels.get(target, 0))

        def in_(source: int, count: int) -> None:
            words.append(0x4000 | source << 5 | count & 31)

        def out(target: int, count: int) -> None:
            words.append(0x6000 | target << 5 | count & 31)

        def wrap_target() -> None:
            wrap[0] = len(words)

        def wrap_top() -> None:
            wrap[1] = len(words) - 1

        scope = {**SOURCES, **JUMPS, "label": label, "jmp": jmp, "in_": in_, "out": out}
        scope.update(wrap_target=wrap_target, wrap=wrap_top)
        spare = dict(source.__globals__)
        source.__globals__.update(scope)
        try:
            source()  # finds the labels
            words.clear()
            source()
        finally:
            source.__globals__.clear()
            source.__globals__.update(spare)
        return Program(words, wrap[0], wrap[1], labels, setup)

    return assemble
