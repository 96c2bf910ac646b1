"""The generated parts of the pages in wiring/: parts, figures, readings, and the drawings as files.

A page is written by hand around blocks that begin with `<!-- NAME: DESIGN -->` and end with `<!-- end -->`; what
lies between is replaced.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

from toothwise.errors import FileTrouble
from toothwise.wiring import rig, standard
from toothwise.wiring.front import FrontEnd
from toothwise.wiring.limits import PIN_ABOVE_SUPPLY_V, PIN_BELOW_GROUND_V, SUPPLY_MAX_V
from toothwise.wiring.parts import Part, written
from toothwise.wiring.pulses import PULSES
from toothwise.wiring.readings import readings

_BLOCK = re.compile(r"(<!-- ([a-z]+)(?:: ([a-z0-9 -]+))? -->\n)(.*?)(<!-- end -->)", re.DOTALL)
# What each kind of front end's output is wired to on its drawing.
_PIN = {"hall": "pin crank or cam", "reluctance": "pin crank", "current": "pin crank", "feed": "pin feed"}


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """A table in Markdown."""
    lines = ["| " + " | ".join(row) + " |" for row in (head, ("---",) * len(head), *rows)]
    return "\n".join(lines) + "\n"


def _part_rows(parts: tuple[Part, ...]) -> list[tuple[str, ...]]:
    return [(p.ref, p.what, p.value, p.rating, p.why) for p in parts]


def _parts(name: str) -> str:
    return table(("on the drawing", "part", "value", "rating", "what for"), _part_rows(standard.design(name).parts))


def _differing(names: str) -> str:
    """Only the parts whose values differ between designs, side by side."""
    designs = [standard.design(name) for name in names.split()]
    by_ref = [{p.ref: p.value for p in design.parts} for design in designs]
    refs = [ref for ref in by_ref[0] if len({values.get(ref) for values in by_ref}) > 1]
    head = ("on the drawing", *(design.title for design in designs))
    return table(head, [(ref, *(values.get(ref, "") for values in by_ref)) for ref in refs])


def _figures(name: str) -> str:
    rows = [(figure.text, figure.line()) for figure in standard.design(name).figures]
    return table(("what", "nominal (and the worst case over parts, -20 to 60 °C and supply)"), rows)


def _compared(names: str) -> str:
    """The figures of several designs side by side."""
    designs = [standard.design(name) for name in names.split()]
    head = ("what", *(design.title for design in designs))
    lines = [{figure.key: figure.line() for figure in design.figures} for design in designs]
    rows = [(figure.text, *(of.get(figure.key, "") for of in lines)) for figure in designs[0].figures]
    return table(head, rows)


def _readings(name: str) -> str:
    rows = [
        (str(number), step.do, step.meter, step.shows)
        for number, step in enumerate(readings(standard.design(name)), start=1)
    ]
    return table(("step", "do", "meter between", "it shows"), rows)


def _not_for(name: str) -> str:
    return "".join(f"- {what}\n" for what in standard.design(name).not_for)


def _rig_parts(_: str) -> str:
    return table(("on the drawing", "part", "value", "rating", "what for"), _part_rows(rig.rig().parts()))


def _pin_rows(_: str) -> str:
    values = rig.rig()
    return table(("name", "pin", "what"), [(name, f"GP{values.pins[name]}", what) for name, what in _PIN_USE.items()])


_PIN_USE = {
    "crank": "in: the crank sensor's front end",
    "cam": "in: the cam sensor's front end",
    "feed": "in: the feed front end, high while the feed is good",
    "aux": "in: a fourth front end",
    "feed_volts": "analogue in: R9 of the feed front end",
    "temperature": "analogue in: the thermistor",
    "mark": "in: the mark button, to ground",
    "lamp": "out: the lamp",
    "buzzer": "out: the buzzer",
    "pattern": "out: the self-check's pattern, to crank through J1",
    "conductor_1": "out: continuity, first wire",
    "conductor_2": "out: continuity, second wire",
    "conductor_3": "out: continuity, third wire",
    "drive": "out: the bench motor's speed, as a duty or as steps; leave open where none is driven",
    "direction": "out: the bench motor's direction",
    "enable": "out: the bench motor's enable; pulled down by a resistor, so that an unpowered board stops it",
}


def _pulses(_: str) -> str:
    def time(seconds: float) -> str:
        return f"{seconds * 1e3:g} ms" if seconds >= 1e-3 else f"{seconds * 1e6:g} µs"

    rows = [
        (
            p.name,
            f"{p.base_v:g} V to {p.peak_v:g} V",
            f"{p.source_ohm:g} Ω",
            f"{p.rise_s * 1e9:g} ns" if p.rise_s < 1e-6 else time(p.rise_s),
            time(p.duration_s),
        )
        for p in PULSES
    ]
    limits = (
        f"\nLimits kept: the board's pins between {PIN_BELOW_GROUND_V:g} V below ground and "
        f"{PIN_ABOVE_SUPPLY_V:g} V above their supply, the 3.3 V line below {SUPPLY_MAX_V:g} V.\n"
    )
    return table(("pulse", "from and to", "source", "rise", "length"), rows) + limits


def _survives(names: str) -> str:
    rows = []
    for name in names.split():
        front = standard.design(name)
        surge = front.surge
        rows.append(
            (
                front.title,
                written(surge.into_supply_a, "A"),
                written(surge.resistor_w, "W"),
                f"{written(surge.above_v, 'V')} above 3.3 V, {written(surge.below_v, 'V')} below ground",
            )
        )
    return table(
        ("front end", "at most into the 3.3 V line", "heat in R1 meanwhile", "the node behind R1 goes to"), rows
    )


_BLOCKS: dict[str, Callable[[str], str]] = {
    "parts": _parts,
    "differing": _differing,
    "figures": _figures,
    "compared": _compared,
    "readings": _readings,
    "notfor": _not_for,
    "rigparts": _rig_parts,
    "pins": _pin_rows,
    "pulses": _pulses,
    "survives": _survives,
}


def filled(text: str) -> str:
    """A page's text with its blocks made anew; a block of an unknown name raises FileTrouble."""

    def block(found: re.Match[str]) -> str:
        opening, kind, names, _, closing = found.groups()
        if kind not in _BLOCKS:
            raise FileTrouble(f"no block called {kind}", step=f"one of {', '.join(_BLOCKS)}")
        return f"{opening}\n{_BLOCKS[kind](names or '')}\n{closing}"

    return _BLOCK.sub(block, text)


def drawing(name: str) -> bytes:
    """A drawing of the standard set, or "rig"."""
    if name == "rig":
        return rig.drawing()
    from toothwise.wiring.drawings import drawing as front_drawing

    front = standard.design(name)
    return front_drawing(front, _PIN[front.name])


def files(folder: Path) -> dict[Path, bytes]:
    """Every generated file of wiring/ with its contents: drawings, and the pages found there, filled anew."""
    made = {folder / f"{name}.svg": drawing(name) for name in (*standard.NAMES, "rig")}
    for page in sorted(folder.glob("*.md")):
        made[page] = filled(page.read_text(encoding="utf-8")).encode("utf-8")
    return made


def pin_for(front: FrontEnd) -> str:
    """What a front end's output is wired to, for its drawing."""
    return _PIN[front.name]
