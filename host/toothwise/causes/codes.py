"""Trouble codes of the crank, the cam and their neighbours, and the circuit condition each one means.

Vocabulary of SAE J2012 / ISO 15031-6, terms after SAE J1930, written here in our own words, from memory. What the
endings say about the circuit is from memory [M]: a code names a circuit and a
condition that the control unit noticed, never a part.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from toothwise.errors import FileTrouble

_FORM = re.compile(r"[PCBU][0-3][0-9A-F]{3}")

_CONDITIONS = {
    "circuit": "no signal, or an open or a short that the control unit could not name",
    "range": "a signal is present but implausible: wrong count, or the gap in the wrong place",
    "low": "the line stays low: shorted to ground, or the feed is lost",
    "high": "the line stays high: shorted to a feed, or open where the control unit pulls it up",
    "intermittent": "the signal drops out and comes back",
}
_ENDINGS = (
    ("circuit", "circuit"),
    ("range", "circuit range or performance"),
    ("low", "circuit low"),
    ("high", "circuit high"),
    ("intermittent", "circuit intermittent"),
)


@dataclass(frozen=True, slots=True)
class Code:
    """One trouble code, read.

    kind: crank, cam, correlation, position_system, phaser, misfire, variation, pulses, supply; "maker" for a
        maker's own code and "unknown" for one that is not in this table.
    condition: circuit, range, low, high, intermittent, or "" where the code does not speak of a circuit.
    text: what the code says. means: the condition behind it, in plain words.
    cylinder: of a misfire code that names one.
    """

    code: str
    kind: str
    text: str
    means: str
    condition: str = ""
    cylinder: int | None = None

    @property
    def known(self) -> bool:
        """False for a maker's own code and for one that is not in the table."""
        return self.kind not in ("maker", "unknown")


def _circuits() -> dict[str, Code]:
    families = {
        0x335: ("crank", "Crankshaft position sensor A"),
        0x385: ("crank", "Crankshaft position sensor B"),
        0x340: ("cam", "Camshaft position sensor A, bank 1"),
        0x345: ("cam", "Camshaft position sensor A, bank 2"),
        0x365: ("cam", "Camshaft position sensor B, bank 1"),
        0x390: ("cam", "Camshaft position sensor B, bank 2"),
    }
    found = {}
    for first, (kind, part) in families.items():
        for offset, (condition, words) in enumerate(_ENDINGS):
            code = f"P{first + offset:04X}"
            found[code] = Code(code, kind, f"{part}: {words}", _CONDITIONS[condition], condition)
    return found


def _timing() -> dict[str, Code]:
    found = {}
    shafts = ("bank 1, camshaft A", "bank 1, camshaft B", "bank 2, camshaft A", "bank 2, camshaft B")
    correlation = "crank and cam signals are both there, but not where they should stand to each other"
    for code, shaft in zip(("P0016", "P0017", "P0018", "P0019"), shafts, strict=True):
        found[code] = Code(code, "correlation", f"Crankshaft to camshaft correlation, {shaft}", correlation)
    for code, bank in (("P0008", 1), ("P0009", 2)):
        text = f"Engine position system performance, bank {bank}"
        found[code] = Code(code, "position_system", text, correlation)
    moves = {
        "circuit": "the wire to the camshaft actuator's valve: open, shorted, or the valve's winding",
        "advanced": "the camshaft stands too early, or does not follow what it is told",
        "retarded": "the camshaft stands too late, or does not follow what it is told",
        "slow": "the camshaft follows what it is told too slowly: oil, valve or actuator",
    }
    for first, shaft in zip((0x10, 0x13, 0x20, 0x23), shafts, strict=True):
        for offset, (word, text) in enumerate(
            (
                ("circuit", "Camshaft position actuator circuit"),
                ("advanced", "Camshaft timing over-advanced or system performance"),
                ("retarded", "Camshaft timing over-retarded"),
            )
        ):
            code = f"P{first + offset:04X}"
            condition = "circuit" if word == "circuit" else ""
            found[code] = Code(code, "phaser", f"{text}, {shaft}", moves[word], condition)
    for first, shaft in zip(range(0xA, 0xE), shafts, strict=True):
        code = f"P{first:04X}"
        found[code] = Code(code, "phaser", f"Camshaft position slow response, {shaft}", moves["slow"])
    return found


def _engine() -> dict[str, Code]:
    found = {
        "P0300": Code(
            "P0300",
            "misfire",
            "Misfire, random or in more than one cylinder",
            "the crank slows where it should speed up",
        ),
        "P0315": Code(
            "P0315",
            "variation",
            "Crankshaft position system variation not learned",
            "the errors of this crank wheel are not yet learnt; a relearn is due after a repair",
        ),
    }
    for number in range(1, 13):
        code = f"P03{number:02d}"
        found[code] = Code(code, "misfire", f"Misfire, cylinder {number}", "the crank slows where it fires", "", number)
    pulses = (
        ("circuit", "", "the fine timing signal is wrong in a way not named"),
        ("range", ": too many pulses", "more pulses than the wheel has teeth: noise, or the wrong wheel"),
        ("range", ": too few pulses", "fewer pulses than the wheel has teeth: dropouts, damage, wrong wheel"),
        ("intermittent", ": intermittent or erratic pulses", _CONDITIONS["intermittent"]),
        ("circuit", ": no pulses", "the fine timing signal is absent"),
    )
    for first, name in ((0x370, "A"), (0x375, "B")):
        for offset, (condition, words, means) in enumerate(pulses):
            code = f"P{first + offset:04X}"
            text = f"Timing reference, high-resolution signal {name}{words}"
            found[code] = Code(code, "pulses", text, means, condition)
    for first, name in ((0x641, "A"), (0x651, "B"), (0x697, "C")):
        for offset, (condition, words, means) in enumerate(
            (
                ("circuit", "circuit open", "the feed that sensors share is interrupted"),
                ("low", "circuit low", "the shared feed is pulled down: a short, or one bad sensor on it"),
                ("high", "circuit high", "the shared feed is too high: shorted to a higher one"),
            )
        ):
            code = f"P{first + offset:04X}"
            found[code] = Code(code, "supply", f"Sensor reference voltage {name} {words}", means, condition)
    return found


TABLE: dict[str, Code] = {**_circuits(), **_timing(), **_engine()}
"""Every code this program knows, by its name."""


def read(text: str) -> Code:
    """One trouble code; a maker's own and an unknown one come back saying so.

    Raises FileTrouble where the text is no trouble code at all.
    """
    code = text.strip().upper()
    if not _FORM.fullmatch(code):
        raise FileTrouble(
            f"“{text}” is not a trouble code",
            cause="a code is a letter P, C, B or U, a digit 0 to 3, and three more, as in P0335",
            step="type it as the scan tool shows it, without the words",
        )
    if code in TABLE:
        return TABLE[code]
    # P1xxx and P30xx to P33xx belong to the makers [M]; the same number means different things on two cars.
    if code[:2] in ("P1", "B1", "B2", "C1", "C2", "U1", "U2") or code[:3] in ("P30", "P31", "P32", "P33"):
        return Code(
            code,
            "maker",
            "A maker's own code",
            "its meaning differs from maker to maker: look it up in the maker's service information",
        )
    return Code(
        code,
        "unknown",
        "Not in this program's table",
        "it speaks of something other than crank and cam, or is newer: look it up in the service information",
    )
