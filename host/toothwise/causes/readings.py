"""Meter readings of a job: what each is, its unit, the range a meter can show, and how people write it."""

from __future__ import annotations

import math
import re
import sys
from dataclasses import dataclass

from toothwise.errors import FileTrouble


@dataclass(frozen=True, slots=True)
class Reading:
    """One thing a meter can be asked.

    low, high: the range that can be real, in `unit`; outside it, it is a slip of the pen or the unit.
    open_ok: whether the meter may show over-range (“OL”), kept as infinity.
    """

    key: str
    unit: str
    low: float
    high: float
    what: str
    open_ok: bool = False


# The ranges are what the trade sees, widened so that a fault still fits; no source, common practice.
READINGS: dict[str, Reading] = {
    r.key: r
    for r in (
        Reading("resistance_ohm", "ohm", 0.0, 1e6, "resistance of the sensor, cold, unplugged", True),
        Reading("resistance_hot_ohm", "ohm", 0.0, 1e6, "resistance of the sensor, hot, unplugged", True),
        Reading("insulation_ohm", "ohm", 0.0, 1e12, "sensor wires to body or shield, unplugged", True),
        Reading("feed_v", "V", 0.0, 36.0, "sensor's feed at its plug, key on, plugged in"),
        Reading("ground_drop_v", "V", -1.0, 36.0, "sensor's ground wire to the battery's minus, key on"),
        Reading("signal_low_v", "V", -1.0, 36.0, "signal wire's low level"),
        Reading("signal_high_v", "V", -1.0, 36.0, "signal wire's high level"),
        Reading("unplugged_v", "V", -1.0, 36.0, "signal wire at the sensor's plug, sensor unplugged, key on"),
        Reading("cranking_ac_v", "V", 0.0, 200.0, "signal while cranking, meter on AC"),
        Reading("wire_ohm", "ohm", 0.0, 1e8, "signal wire from end to end, both ends unplugged", True),
    )
}

_SUFFIX = {"": 1.0, "u": 1e-6, "µ": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
_UNITS = {"ohm": ("ohm", "ohms", "Ω", "Ohm", "R"), "V": ("V", "v", "volt", "volts", "VAC", "VDC")}
_NUMBER = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\s*([uµmkKMG]?)\s*([A-Za-zΩ]*)\s*")


def check(key: str, value: object) -> float:
    """The reading as a number in its unit; raises FileTrouble naming the range when it cannot be real."""
    reading = READINGS[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise FileTrouble(
            f"{key} must be a number in {reading.unit}, not {value!r}",
            step=f"write it without quotes, as in {key} = {_example(reading)}",
        )
    if value == math.inf and reading.open_ok:
        return math.inf
    if not reading.low <= value <= reading.high:
        raise FileTrouble(
            f"{key} = {shown(value)} {reading.unit} cannot be (outside {reading.low:g} to {reading.high:g})",
            cause="the unit may be another one (k, M or m left out)",
            step=f"give the {reading.what} in {reading.unit}",
        )
    return float(value)


def shown(value: float) -> str:
    """A number for a message, also a whole one that no float holds."""
    return f"{value:g}" if isinstance(value, float) or abs(value) < 1e300 else "(hundreds of digits)"


def parse(key: str, text: str) -> float:
    """A reading as typed: “850”, “0.85 k”, “5 Mohm”, “4.97 V”, “120 mV”, “OL”; checked as in a file."""
    reading = READINGS[key]
    if text.strip().upper() in ("OL", "O.L", "O.L.", "OPEN", "INF"):
        return check(key, math.inf)
    match = _NUMBER.fullmatch(text)
    unit = match[3] if match else ""
    if not match or (unit and unit not in _UNITS[reading.unit]):
        raise FileTrouble(
            f"“{text.strip()}” is not a reading in {reading.unit}",
            step=f"type a number, as in {_example(reading)}{' or OL' if reading.open_ok else ''}",
        )
    # A number too large for a float is no over-range: that is said in words.
    return check(key, min(float(match[1].replace(",", ".")) * _SUFFIX[match[2]], sys.float_info.max))


def _example(reading: Reading) -> str:
    return {"ohm": "850.0", "V": "4.97"}[reading.unit]
