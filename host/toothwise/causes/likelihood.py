"""The likelihood table: how likely each answer to each sign is under each cause, from likelihood.toml."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

CAUSES: dict[str, str] = {
    "sensor": "the sensor itself",
    "signal_open": "the signal wire is open",
    "signal_short_ground": "the signal wire is shorted to ground",
    "signal_short_feed": "the signal wire is shorted to a feed",
    "feed_or_ground": "the sensor's feed or ground",
    "intermittent_wiring": "a connector or wire that opens when moved",
    "weak_signal": "a weak signal: air gap, debris or magnet",
    "reversed_polarity": "the sensor's wires are swapped",
    "wheel_tooth": "a bent, chipped or missing tooth, or debris in its place",
    "wheel_runout": "the wheel runs out",
    "wheel_slip": "the wheel slips on its hub",
    "wrong_wheel": "another wheel than the control unit expects",
    "interference": "interference from ignition or alternator",
    "cam_sensor": "the cam sensor or its circuit",
    "cam_timing": "belt or chain: jumped or stretched",
    "cam_phaser": "the cam's actuator or its valve",
    "misfire": "misfire in a cylinder",
    "low_compression": "low compression in a cylinder",
    "look_past_signal": "the signal is good: control unit, its software, or a relearn",
    "unproven": "nothing is proven yet",
}
"""Every cause that is weighed, and what it is in words."""

NOTHING = ("look_past_signal", "unproven")
"""Not a fault of the signal: what remains when no fault shows."""


@dataclass(frozen=True, slots=True)
class SignRow:
    """One sign's part of the table. chance[cause][outcome] is a probability; each cause's sum is 1."""

    name: str
    asks: str
    source: str
    outcomes: tuple[str, ...]
    chance: dict[str, dict[str, float]]


@dataclass(frozen=True, slots=True)
class Table:
    """prior[cause]: probability, summing to 1. signs: by name, in the file's order."""

    prior: dict[str, float]
    signs: dict[str, SignRow]

    def log_ratio(self, sign: str, outcome: str, cause: str) -> float:
        """How much more likely the answer is under this cause than on the whole; natural logarithm."""
        chance = self.signs[sign].chance
        mean = sum(self.prior[c] * chance[c][outcome] for c in CAUSES)
        return math.log(chance[cause][outcome] / mean)


@cache
def table() -> Table:
    """The table in the package."""
    return read(tomllib.loads(files(__package__).joinpath("likelihood.toml").read_text(encoding="utf-8")))


def read(data: dict[str, Any]) -> Table:
    """A table from what TOML holds.

    Raises ValueError where a row names no cause, does not sum to 100, or a cause has no row: a defect of the
    file, not of the user.
    """
    prior = {cause: float(data["prior"][cause]) for cause in CAUSES}
    whole = sum(prior.values())
    groups: dict[str, list[str]] = data["groups"]
    return Table(
        {cause: value / whole for cause, value in prior.items()},
        {name: _sign(name, entry, groups) for name, entry in data["sign"].items()},
    )


def _sign(name: str, entry: dict[str, Any], groups: dict[str, list[str]]) -> SignRow:
    outcomes = tuple(entry["outcomes"])
    rows = {key: row for key, row in entry.items() if key not in ("asks", "source", "outcomes")}
    for key, row in rows.items():
        if key not in CAUSES and key not in groups and key != "others":
            raise ValueError(f"sign {name}: {key} is no cause and no group")
        if len(row) != len(outcomes) or abs(sum(row) - 100) > 1e-6 or min(row) <= 0:
            raise ValueError(f"sign {name}: the row {key} must have {len(outcomes)} figures above 0 that sum to 100")
    chance = {}
    for cause in CAUSES:
        keys = [cause, *(group for group, members in groups.items() if cause in members), "others"]
        row = next((rows[key] for key in keys if key in rows), None)
        if row is None:
            raise ValueError(f"sign {name}: no row for {cause}")
        chance[cause] = {outcome: value / 100 for outcome, value in zip(outcomes, row, strict=True)}
    return SignRow(name, entry["asks"], entry["source"], outcomes, chance)
