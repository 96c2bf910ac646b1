"""A measure in the trade's words: its name, its value with unit and doubt, and what it is of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toothwise.show import words

NAMES = {
    "tooth_error": "a tooth's place against the pattern",
    "runout_1": "runout, once a turn",
    "runout_2": "runout, twice a turn",
    "jitter": "jitter of a tooth from turn to turn",
    "duty": "share of its pitch that a tooth takes",
    "lowest_full_count": "slowest turn with every tooth",
    "polarity": "polarity",
    "cam_edge": "cam edge",
    "cam_shift": "cam against the known good edges, late is positive",
    "cam_swing": "cam's swing",
    "cam_step": "cam's largest step",
    "cam_speed_slope": "cam's movement with speed",
    "cam_drift": "cam's drift",
    "cylinder_work": "work of a cylinder against the mean",
    "misfire_rate": "misfires",
    "relative_compression": "compression against the best",
    "slowest_angle": "where the crank is slowest",
    "stripe_p": "chance that the faults keep to no tooth, p",
    "gap_step": "angle of the gap",
    "gap_fraction": "gap's share of three intervals",
    "extra_order": "extra edges in a turn",
    "startup_teeth": "teeth until the count was kept",
    "startup_s": "time until the count was kept",
    "startup_rpm": "speed of the first turns",
    "first_edge": "first edge",
}
_UNITS = {"deg": "°", "deg rms": "° rms", "deg per 1000 rpm": "° per 1000 rpm", "deg a minute": "° a minute"}
_ABOUT = {
    "tooth": "tooth {}",
    "after_tooth": "after tooth {}",
    "pattern": "{}° by the pattern",
    "channel": "{}",
    "kind": "{}",
    "while": "{}",
    "source": "as from the {}",
    "times": "{} times",
    "at_s": "at {} s",
}
"""Fields that tell a reader something, in this order; the others are for machines."""


def name(measure: Mapping[str, Any]) -> str:
    """In words; one that is not known here keeps its own name."""
    return NAMES.get(measure["name"], words.clean(measure["name"]).replace("_", " "))


def value(measure: Mapping[str, Any]) -> str:
    """By the rounding rule, with its unit."""
    if measure["name"] == "polarity":
        return "as it should be" if measure["value"] > 0 else "reversed"
    return with_unit(words.number(measure["value"], measure.get("uncertainty")), measure["unit"])


def with_unit(number: str, unit: str) -> str:
    """A degree sign stands at the number, other units apart."""
    unit = _UNITS.get(unit, unit)
    return f"{number}{unit}" if unit.startswith("°") else f"{number} {unit}".rstrip()


def about(measure: Mapping[str, Any]) -> str:
    """What it is of: a tooth, a cylinder, an edge; empty where there is but one of it."""
    if "slot" in measure:
        return cylinder(measure)
    if measure.get("edge") is not None:
        return f"edge {measure['edge']}" + {0: ", falling", 1: ", rising"}.get(measure.get("level", -1), "")
    return ", ".join(text.format(_plain(measure[key])) for key, text in _ABOUT.items() if measure.get(key) is not None)


def _plain(field: object) -> str:
    return f"{field:g}" if isinstance(field, float) else words.clean(field)


def cylinder(measure: Mapping[str, Any]) -> str:
    """The cylinder where it is known, else its place in the order of firing, with the two it may be."""
    if measure.get("cylinder") is not None:
        return f"cylinder {measure['cylinder']}"
    firing = f"firing {measure.get('slot', '?')}"
    return f"{firing}, cylinder {' or '.join(map(str, measure['pair']))}" if measure.get("pair") else firing
