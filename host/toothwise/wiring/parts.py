"""Preferred values, how a value is written, and one line of a parts list."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

# IEC 60063. E24 is a table (its rounding follows no formula); E96 is 10^(i/96) to three figures; E12 is
# every second step of E24.
E24 = (
    1.0,
    1.1,
    1.2,
    1.3,
    1.5,
    1.6,
    1.8,
    2.0,
    2.2,
    2.4,
    2.7,
    3.0,
    3.3,
    3.6,
    3.9,
    4.3,
    4.7,
    5.1,
    5.6,
    6.2,
    6.8,
    7.5,
    8.2,
    9.1,
)
E12 = E24[::2]
E96 = tuple(round(10 ** (step / 96), 2) for step in range(96))


def nearest(value: float, series: tuple[float, ...]) -> float:
    """The member of `series` nearest to `value` by ratio, in the same unit."""
    below, above = _beside(value, series)
    return below if value / below < above / value else above


def at_least(value: float, series: tuple[float, ...]) -> float:
    """The smallest member of `series` not below `value` (within rounding of floats)."""
    below, above = _beside(value, series)
    return below if below >= value * (1 - 1e-9) else above


def _beside(value: float, series: tuple[float, ...]) -> tuple[float, float]:
    """The members on either side of `value`; the lower one may equal it."""
    if not value > 0 or not math.isfinite(value):
        raise ValueError(f"a part's value must be above zero, not {value:g}")
    decade = math.floor(math.log10(value))
    at = bisect_right(series, value / 10.0**decade * (1 + 1e-12))
    ladder = ((series[-1], decade - 1), *((member, decade) for member in series), (series[0], decade + 1))
    # Through text, so that 3.3 x 10^4 is the float nearest to 33000 and prints as such.
    below, above = (float(f"{member}e{power}") for member, power in ladder[at : at + 2])
    return below, above


def best_divider(ratio: float, total_ohm: float, series: tuple[float, ...]) -> tuple[float, float]:
    """(upper, lower) resistor whose lower/(upper+lower) is nearest to `ratio`, the sum within 20 % of `total_ohm`."""
    best: tuple[float, float, float] | None = None
    for exponent in (-1, 0, 1):
        for member in series:
            lower = nearest(member * 10 ** (math.floor(math.log10(total_ohm * ratio)) + exponent), series)
            upper = nearest(lower * (1 / ratio - 1), series)
            if abs(upper + lower - total_ohm) > 0.2 * total_ohm:
                continue
            miss = abs(lower / (upper + lower) - ratio)
            if best is None or miss < best[0] - 1e-12:
                best = (miss, upper, lower)
    if best is None:
        raise ValueError(f"no divider of about {total_ohm:g} ohm gives {ratio:g}")
    return best[1], best[2]


def written(value: float, unit: str) -> str:
    """A value for people, three figures with its SI prefix: 4700, "Ω" gives "4.7 kΩ"."""
    if value == 0:
        return f"0 {unit}"
    power = min(max(math.floor(math.log10(abs(value) * (1 + 1e-9)) / 3), -4), 2)
    scaled = value / 1000**power
    digits = max(0, 2 - math.floor(math.log10(abs(scaled) * (1 + 1e-9))))
    number = f"{scaled:.{digits}f}"
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return f"{number} {'pnµm kM'[power + 4].strip()}{unit}"


@dataclass(frozen=True, slots=True)
class Part:
    """One line of a parts list.

    ref: as on the drawing. what: the generic part. value: written, empty where the rating says all.
    rating: what it must bear or keep to. why: what it is there for, in plain words.
    """

    ref: str
    what: str
    value: str
    rating: str
    why: str
