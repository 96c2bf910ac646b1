"""Numbers and findings in a technician's words. One rounding rule for every number that is shown.

The rule: a number with an uncertainty is rounded to the uncertainty's first digit (its first two where it
begins with 1), and shown with six digits and no uncertainty where that is below a millionth; a number without
is shown with three digits that count, and as a power of ten below a millionth. Times of day and on a recording's
clock are shown to the millisecond.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

KIND_NAMES = {
    "missing": "missing",
    "extra": "extra",
    "silent": "silent",
    "stopped": "stopped",
    "feed_low": "feed low",
    "contact": "contact",
    "blind": "blind",
}


def clean(text: object) -> str:
    """Text from outside (a file's name, a note) without characters that steer a terminal or turn its direction."""
    return " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())


def fit(text: str, room: int) -> str:
    """The text, cut with an ellipsis where it is longer than the room."""
    return text if len(text) <= room else text[: max(room - 1, 0)] + "…"


_SAME, _NOTHING = 1e-6, 1e-7


def number(value: float, uncertainty: float | None = None) -> str:
    """The value by the rounding rule; with an uncertainty, "value ± uncertainty"."""
    if not math.isfinite(value):
        return "unknown"
    known = uncertainty is not None and math.isfinite(uncertainty) and uncertainty > 0
    if uncertainty is not None and known and uncertainty < max(abs(value) * _SAME, _NOTHING):
        return f"{value:.6g}"
    if uncertainty is not None and known:
        places = _places(uncertainty, 2 if f"{uncertainty:e}"[0] == "1" else 1)
        return f"{_fixed(value, places)} ± {_fixed(uncertainty, places)}"
    if 0 < abs(value) < _SAME:
        return f"{value:.2e}"
    return "0" if value == 0 else _fixed(value, _places(value, 3))


def _places(value: float, digits: int) -> int:
    # Through the rounded digits, so that 99.99 counts as 100: one place less.
    return digits - 1 - int(f"{value:.{digits - 1}e}".split("e")[1])


def _fixed(value: float, places: int) -> str:
    rounded = round(value, places) or 0.0  # no minus before a zero
    return f"{rounded:.{max(places, 0)}f}"


_SPANS = ((1e-6, 1e9, "ns"), (1e-3, 1e6, "µs"), (1.0, 1e3, "ms"))


def span(seconds: float) -> str:
    """A duration with the unit that suits it: 250 ns, 2.90 ms, 41.3 s, 3 h 12 min."""
    if seconds == 0:
        return "0 s"
    if seconds >= 3600:
        minutes = round(seconds / 60)
        return f"{minutes // 60} h {minutes % 60:02d} min"
    if seconds >= 600:
        whole = round(seconds)
        return f"{whole // 60} min {whole % 60:02d} s"
    for below, factor, unit in _SPANS:
        # What would round up to the next unit's 1 is shown in that unit.
        if seconds < below and float(number(seconds * factor)) < below * factor:
            return f"{number(seconds * factor)} {unit}"
    return f"{number(seconds)} s"


def utc(text: str) -> str:
    """A time of the book to the second, without its zone."""
    return text[:19].replace("T", " ")


def clock_time(seconds: float) -> str:
    """A time on the recording's own clock."""
    return f"{round(seconds, 3) or 0.0:.3f} s"


def count(n: int, what: str, many: str | None = None) -> str:
    """ "1 tooth", "2 teeth", "13,204 edges"."""
    return f"{n:,} {what if n == 1 else many or what + 's'}"


def angle(degrees: float) -> str:
    """Degrees to a tenth, without a needless zero: 96°, 97.5°."""
    return f"{round(degrees, 1):g}°"


def rpm(value: float | None) -> str:
    return "–" if value is None else f"{value:,.0f}"


def place(event: Mapping[str, Any]) -> str:
    """Where on the wheel an event was: "revolution 41  tooth 17 (96°)", as far as it is known."""
    parts = []
    if event["channel"] not in ("crank", "all"):
        parts.append(clean(event["channel"]))
    if event["revolution"] is not None:
        parts.append(f"revolution {event['revolution']}")
    if event["tooth"] is not None:
        where = "" if event["angle_deg"] is None else f" ({angle(event['angle_deg'])})"
        parts.append(f"tooth {event['tooth']}{where}")
    return "  ".join(parts)


def what(event: Mapping[str, Any]) -> str:
    """What happened, without the when and where."""
    kind, n, lasted = event["kind"], event["count"], span(event["duration_s"])
    held = "" if event["level"] is None else f", held {'high' if event['level'] else 'low'}"
    if kind == "missing":
        return f"{count(n, 'tooth', 'teeth')} missing{held or ', gone'} {lasted}"
    if kind == "extra":
        if event.get("edge") == "moved":
            off = float(event.get("pitches", 0.0))
            late = "late" if off > 0 else "early"
            return f"the tooth's far edge came {number(abs(off))} of a pitch {late}: an interruption fell on it"
        if n == 2 and event["duration_s"]:
            return f"1 extra pulse of {lasted}"
        return count(n, "extra edge") + (f" within {lasted}" if event["duration_s"] else "")
    if kind == "silent":
        proof = clean(event.get("proof", ""))
        return f"silent for {lasted} while the wheel turned{held}{f' ({proof})' if proof else ''}"
    if kind == "stopped":
        return f"the wheel stopped for {lasted}" if event["duration_s"] else "the wheel stopped"
    if kind == "feed_low":
        return f"the sensor's feed was low for {lasted}"
    if kind == "contact":
        return f"the level changed {'once' if n == 1 else f'{n} times'} with nothing turning" + (
            f", within {lasted}" if event["duration_s"] else ""
        )
    reason = clean(event.get("reason", "")).replace("_", " ")
    return f"blind for {lasted}{f' ({reason})' if reason else ''}; speaks neither for nor against the sensor"


def finding(event: Mapping[str, Any]) -> str:
    """One event of the JSON as one line."""
    return "  ".join(part for part in (clock_time(event["t_s"]), place(event)) if part) + f": {what(event)}"
