"""The set of front ends that wiring/ shows, and the one that a live sensor is likely to be behind."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from toothwise.errors import Trouble
from toothwise.wiring import current, feed, hall, reluctance
from toothwise.wiring.front import FrontEnd, Turning
from toothwise.wiring.limits import CAPTURE_PULSE_S

WHEEL, TOP_RPM = "60-2", 8000.0
# The pages of wiring/ and the designs each shows, by the name of the drawing.
PAGES = {
    "hall": ("hall-5v", "hall-8v", "hall-12v", "hall-bench-5v"),
    "reluctance": ("reluctance",),
    "current": ("current", "current-live"),
    "feed": ("feed-5v", "feed-8v", "feed-12v"),
}
NAMES = tuple(name for names in PAGES.values() for name in names)


@cache
def design(name: str) -> FrontEnd:
    """The front end of that name, for a 60-2 wheel up to 8000 rpm."""
    turning = Turning.of(WHEEL, TOP_RPM)
    kind, *rest = name.split("-")
    volts = float(rest[-1].removesuffix("v")) if rest and rest[-1].endswith("v") else 0.0
    if kind == "hall":
        return hall.design(volts, turning, variant="bench" if "bench" in rest else "tap")
    if kind == "feed":
        return feed.design(volts)
    if kind == "current":
        return current.design(turning, variant="tap" if "live" in rest else "bench")
    return reluctance.design(turning)


@dataclass(frozen=True, slots=True)
class Interruption:
    """The shortest interruption of a wire that the recording can show, in s.

    usual_s: with parts at their nominal values. sure_s: with the worst parts; anything longer is seen for sure.
    capture_s: what the board's capture alone would see.
    """

    usual_s: float
    sure_s: float
    capture_s: float = CAPTURE_PULSE_S


def shortest_interruption(front_end: str, volts: float = 5.0) -> Interruption | None:
    """What a front end of wiring/ hides at rest: "hall" or "feed" of `volts`, "current", or "reluctance".

    None for a coil: at rest an open coil looks like a quiet one, so no interruption shows at all. "none" is a
    wire straight on the pin. Raises Trouble for an unknown front end.
    """
    if front_end == "none":
        return Interruption(CAPTURE_PULSE_S, CAPTURE_PULSE_S)
    if front_end == "reluctance":
        return None
    turning = Turning.of(WHEEL, TOP_RPM)
    if front_end == "hall":
        front = hall.design(volts, turning)
    elif front_end == "feed":
        front = feed.design(volts)
    elif front_end == "current":
        front = current.design(turning)
    else:
        raise Trouble(f"there is no front end called {front_end}", step="hall, current, feed, reluctance or none")
    figure = front.figure("shortest_interruption")
    return Interruption(figure.nominal, figure.high)
