"""What stands on one bench: its name, its master sensor, its drive. A TOML file; without one, a bench without either.

`toothwise bench setup` prints a template.
"""

from __future__ import annotations

import platform
import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from toothwise import toml
from toothwise.bench.loop import Plant
from toothwise.errors import FileTrouble

DRIVES = ("pwm", "step")


@dataclass(frozen=True, slots=True)
class DriveSetup:
    """kind: pwm or step. most_rpm: the spindle never turns faster. carrier_hz: of the pulses, for pwm. steps: a turn,
    and ramp: steps a second each second, for step. plant: None until it was found."""

    kind: str
    most_rpm: float
    carrier_hz: int = 20_000
    steps: int = 200
    ramp: int = 2000
    plant: Plant | None = None


@dataclass(frozen=True, slots=True)
class Setup:
    """zero_deg (None: not known yet), uncertainty_deg, learnt: see `figures.Master`; learnt is the name of a wheel in
    the book. drive: None for a spindle turned by hand or by a motor of its own."""

    name: str
    zero_deg: float | None = None
    uncertainty_deg: float = 0.0
    learnt: str = ""
    drive: DriveSetup | None = None


def template() -> str:
    return resources.files("toothwise.bench").joinpath("templates/setup.toml").read_text("utf-8")


def load(path: str | None) -> Setup:
    """Raises FileTrouble that names the key."""
    if path is None:
        return Setup(platform.node() or "bench")
    try:
        data = toml.table(Path(path).read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
        why = problem.strerror if isinstance(problem, OSError) else str(problem)
        raise FileTrouble(
            f"the bench's setup {path} cannot be read: {why}",
            step="check the path, or write a template: toothwise bench setup > bench.toml",
        ) from None
    return _Reader(path).setup(data)


class _Reader:
    def __init__(self, where: str) -> None:
        self.where = where

    def wrong(self, key: str, wants: str) -> FileTrouble:
        return FileTrouble(f"{self.where}: `{key}` {wants}", step=f"mend `{key}` in that file")

    def table(self, data: dict[str, Any], key: str, keys: set[str]) -> dict[str, Any]:
        table = data.get(key, {})
        if not isinstance(table, dict):
            raise self.wrong(key, "must be a table")
        for name in table:
            if name not in keys:
                raise self.wrong(f"{key}.{name}", "is not a key of a bench's setup")
        return table

    def number(self, table: dict[str, Any], key: str, under: str, low: float, high: float, otherwise: float) -> float:
        value = table.get(key, otherwise)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.wrong(f"{under}.{key}", f"must be a number from {low:g} to {high:g}")
        return float(value)

    def setup(self, data: dict[str, Any]) -> Setup:
        for key in data:
            if key not in ("name", "master", "drive"):
                raise self.wrong(key, "is not a key of a bench's setup")
        name = data.get("name")
        if not isinstance(name, str) or not name.strip():
            raise self.wrong("name", "must be a text")
        master = self.table(data, "master", {"zero_deg", "uncertainty_deg", "learnt"})
        learnt = master.get("learnt", "")
        if not isinstance(learnt, str):
            raise self.wrong("master.learnt", "must be the name of a wheel in the book")
        return Setup(
            name.strip(),
            self.number(master, "zero_deg", "master", -360.0, 360.0, 0.0) if "zero_deg" in master else None,
            self.number(master, "uncertainty_deg", "master", 0.0, 10.0, 0.0),
            learnt,
            self.drive(data) if "drive" in data else None,
        )

    def drive(self, data: dict[str, Any]) -> DriveSetup:
        keys = {"kind", "most_rpm", "carrier_hz", "steps", "ramp", "gain_rpm", "tau_s", "rest"}
        table = self.table(data, "drive", keys)
        if table.get("kind") not in DRIVES:
            raise self.wrong("drive.kind", f"must be {' or '.join(DRIVES)}")
        if "most_rpm" not in table:
            raise self.wrong("drive.most_rpm", "must be stated: the drive is not enabled without a most speed")
        plant = None
        if "gain_rpm" in table or "tau_s" in table:
            plant = Plant(
                self.number(table, "gain_rpm", "drive", 1.0, 1e6, 0.0),
                self.number(table, "tau_s", "drive", 0.01, 60.0, 0.0),
                self.number(table, "rest", "drive", 0.0, 0.9, 0.0),
            )
        return DriveSetup(
            table["kind"],
            self.number(table, "most_rpm", "drive", 10.0, 20_000.0, 0.0),
            int(self.number(table, "carrier_hz", "drive", 10.0, 200_000.0, 20_000.0)),
            int(self.number(table, "steps", "drive", 1.0, 200_000.0, 200.0)),
            int(self.number(table, "ramp", "drive", 1.0, 1e6, 2000.0)),
            plant,
        )
