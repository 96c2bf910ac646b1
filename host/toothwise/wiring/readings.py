"""What a meter must show on a finished front end before it meets a vehicle, from the design's own values."""

from __future__ import annotations

import math
from dataclasses import dataclass

from toothwise.wiring.front import FrontEnd
from toothwise.wiring.parts import written
from toothwise.wiring.spread import Spread, extremes

METER = 0.02  # a cheap meter's own error on top, common practice, no source
PIN_LOW_MOST_V = 0.4
# What is at hand as a test voltage, and what it surely has: a tired cell, a weak USB port, a used block.
CELL_V, BOARD_V, BLOCK_V = 1.4, 4.5, 8.5


@dataclass(frozen=True, slots=True)
class Reading:
    """One step: what to do, where the meter goes, what it shows."""

    do: str
    meter: str
    shows: str


def readings(front: FrontEnd) -> tuple[Reading, ...]:
    """The steps in order: unpowered first, then from USB alone, then with a test voltage on the lead."""
    return _pair(front) if front.name == "reluctance" else _single(front)


def _volts(spread: Spread) -> str:
    return f"{spread.low * (1 - METER):.2f} to {spread.high * (1 + METER):.2f} V"


def _ohms(spread: Spread) -> str:
    return f"{written(spread.low * (1 - METER), 'Ω')} to {written(spread.high * (1 + METER), 'Ω')}"


def _supply(front: FrontEnd) -> list[Reading]:
    return [
        Reading(
            "Nothing plugged in. Meter on resistance.",
            "U1's supply pin and ground",
            "rises to above 100 Ω, whichever way round; near 0 Ω is a short: find it before you go on",
        ),
        Reading(
            "USB plugged in, no clip on anything. Meter on volts.",
            "U1's supply pin and ground",
            _volts(front.spreads["supply"]),
        ),
    ]


def _single(front: FrontEnd) -> tuple[Reading, ...]:
    spreads = front.spreads
    short, powered = _supply(front)
    steps = [short]
    if "bottom" in spreads:
        through = extremes(lambda v: v["series"] + v["bottom"], spreads)
        steps.append(Reading("Still nothing plugged in.", "the signal lead's clip and ground", _ohms(through)))
    elif front.asked.get("variant") == "bench":
        steps.append(
            Reading(
                "Still nothing plugged in.",
                "the signal lead's clip and ground",
                f"{_ohms(spreads['shunt'])} and up to 20 Ω more for the fuse",
            )
        )
    steps.append(powered)
    reference = extremes(
        lambda v: v["supply"] * v["reference_bottom"] / (v["reference_top"] + v["reference_bottom"]), spreads
    )
    steps.append(Reading("USB still in.", "U1's - input (where R5, R6 and C2 meet) and ground", _volts(reference)))
    steps.append(
        Reading(
            "The signal lead's clip held on ground.",
            "the output (the end of R8) and ground",
            f"below {PIN_LOW_MOST_V:g} V",
        )
    )
    what = _test_source(front)
    steps.append(Reading(f"The signal lead's clip on {what}.", "the output and ground", _volts(spreads["supply"])))
    if front.name == "feed":
        share = extremes(lambda v: v["bottom"] / (v["series"] + v["bottom"]), spreads)
        steps.append(
            Reading(
                "The same; measure the lead's own voltage first.",
                "the analogue output (the end of R9) and ground",
                f"{share.low * (1 - METER):.3f} to {share.high * (1 + METER):.3f} times the lead's voltage",
            )
        )
    return tuple(steps)


def _test_source(front: FrontEnd) -> str:
    """A voltage at hand that is surely above the upper turning point."""
    needed = front.figure("threshold_rising").high * (1 + METER)
    at_hand = (
        (CELL_V, "the + end of a fresh 1.5 V cell whose - end is on ground"),
        (BOARD_V, "the board's 5 V pin (VBUS)"),
        (BLOCK_V, "the + end of a fresh 9 V block whose - end is on ground"),
    )
    supply = f"the + end of a bench supply set to {math.ceil(needed)} V whose - end is on ground"
    return next((what for volts, what in at_hand if volts > needed), supply)


def _pair(front: FrontEnd) -> tuple[Reading, ...]:
    spreads = front.spreads
    across = extremes(lambda v: v["series_plus"] + v["series_minus"] + v["bias_plus"] + v["bias_minus"], spreads)
    middle = extremes(lambda v: v["supply"] * v["middle_bottom"] / (v["middle_top"] + v["middle_bottom"]), spreads)
    short, powered = _supply(front)
    return (
        short,
        Reading("Still nothing plugged in.", "one coil lead's clip and the other's", _ohms(across)),
        powered,
        Reading("USB still in.", "the middle (where R5, R6 and C2 meet) and ground", _volts(middle)),
        Reading(
            "A fresh 1.5 V cell between the coil leads, + on lead 1.",
            "the output (the end of R8) and ground",
            _volts(spreads["supply"]),
        ),
        Reading("The cell turned round, + on lead 2.", "the output and ground", f"below {PIN_LOW_MOST_V:g} V"),
        Reading(
            "Cell taken off, the two clips held together.",
            "the output and ground",
            "stays as it was: low if it was low",
        ),
    )
