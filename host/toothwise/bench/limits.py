"""What a sensor must do: the limits file of one sensor type, checked when it is read.

    name = "..."            what it is called in results
    status = "proposal"     or "set", once somebody has answered for the figures
    kind = "hall"           variable_reluctance, hall, magnetoresistive or current
    wheel = "60-2"          the test wheel
    timing_edge = "auto"    which edge marks a tooth: rising, falling, or auto to find out, which takes seconds
    source = "..."          where the figures are from
    [sequence]              speeds, air gaps, temperatures, how sure one wants to be
    [measure.NAME]          low, high, unit, source; more in README
    [measure.NAME.hot]      other limits in one part of the sequence

`toothwise bench limits KIND` writes a template.
"""

from __future__ import annotations

import difflib
import hashlib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from toothwise import toml
from toothwise.bench.sampling import zero_failure_size
from toothwise.causes.job import SENSOR_KINDS
from toothwise.errors import FileTrouble
from toothwise.wheel import catalogue
from toothwise.wheel.pattern import Wheel

TYPED = {"resistance": "ohm", "insulation": "ohm", "signal_low": "V", "signal_high": "V", "feed_current": "mA"}
"""What is read from a meter and typed in."""
MEASURED = {
    "lowest_full_count": "rpm",
    "missing": "teeth",
    "extra": "edges",
    "duty": "",
    "jitter": "deg rms",
    "edge_position": "deg",
    "edge_spread": "deg",
    "edge_repeatability": "deg rms",
}
"""What the signal says."""
UNITS = {**TYPED, **MEASURED}
STAGES = ("bench", "sweep", "dwell", "gap", "hot", "cold", "flex")
"""The parts of the sequence that may have limits of their own; `gap` is every step of the air gap."""
TIMING_EDGES = {"auto": None, "rising": 1, "falling": 0}
TEMPLATES = {"variable_reluctance": "variable_reluctance", "hall": "hall", "current": "two_wire_current"}


@dataclass(frozen=True, slots=True)
class Limit:
    """low, high: None where there is none. required: without a value the sensor cannot pass.

    meter: what a typed reading may be wrong by, (share of the reading, plus so much in the unit); a rectangular
    distribution of that half width (GUM 4.3.7). by_stage: (low, high) where a stage has its own.
    """

    name: str
    unit: str
    low: float | None
    high: float | None
    source: str
    required: bool = True
    meter: tuple[float, float] = (0.0, 0.0)
    by_stage: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)

    def at(self, stage: str) -> tuple[float | None, float | None]:
        """The limits in one stage, for instance "hot" or "gap 1.5 mm"."""
        return self.by_stage.get(stage.split(" ")[0], (self.low, self.high))

    def meter_uncertainty(self, value: float) -> float:
        return (abs(value) * self.meter[0] + self.meter[1]) / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Sequence:
    """What is done with a sensor.

    sweep_rpm, sweep_s: from, to, and how long. dwell_rpm: speeds at which it is counted. air_gaps_mm: steps.
    hot_c, cold_c: temperatures to bring it to, None to leave that out. flex: move the cable meanwhile.
    confidence, fault_rate: the count goes on until no fault in it says with this confidence that fewer than this share
    of revolutions have one. coverage: half the guard band in standard uncertainties.
    """

    sweep_rpm: tuple[float, float] = (20.0, 1000.0)
    sweep_s: float = 20.0
    dwell_rpm: tuple[float, ...] = (3000.0,)
    air_gaps_mm: tuple[float, ...] = ()
    hot_c: float | None = None
    cold_c: float | None = None
    flex: bool = False
    confidence: float = 0.95
    fault_rate: float = 0.003
    coverage: float = 2.0

    @property
    def revolutions(self) -> int:
        """How many without a fault it takes."""
        return zero_failure_size(self.confidence, 1.0 - self.fault_rate)


@dataclass(frozen=True, slots=True)
class Limits:
    """A limits file. sha256: of its text, so that a result can say what it was judged by. timing_level: the level after
    the edge that marks a tooth; None to find out from the signal."""

    name: str
    kind: str
    wheel: Wheel
    proposal: bool
    source: str
    sequence: Sequence
    measures: Mapping[str, Limit]
    sha256: str
    timing_level: int | None = None

    @property
    def typed(self) -> list[Limit]:
        """Those read from a meter, in the order of TYPED."""
        return [self.measures[name] for name in TYPED if name in self.measures]


def template(kind: str) -> str:
    """The text of a template. Raises FileTrouble for a kind that has none."""
    if kind not in TEMPLATES:
        raise FileTrouble(f"there is no template for {kind!r}", step=f"give one of {', '.join(TEMPLATES)}")
    return resources.files("toothwise.bench").joinpath(f"templates/{TEMPLATES[kind]}.toml").read_text("utf-8")


def load(path: Path) -> Limits:
    """Raises FileTrouble that names the key."""
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        why = problem.strerror if isinstance(problem, OSError) else "it is not text"
        raise FileTrouble(
            f"the limits file {path} cannot be read: {why}",
            step="check the path, or write a template: toothwise bench limits hall > hall.toml",
        ) from None
    return parse(text, str(path))


def parse(text: str, where: str) -> Limits:
    """The same from its text."""
    try:
        data = toml.table(text)
    except tomllib.TOMLDecodeError as problem:
        raise FileTrouble(
            f"{where} is not TOML: {problem}", cause="a missing quote or bracket", step="mend the line"
        ) from None
    return _Reader(where).limits(data, hashlib.sha256(text.encode()).hexdigest())


class _Reader:
    """Checks tables of one file; `where` begins every complaint."""

    def __init__(self, where: str) -> None:
        self.where = where

    def wrong(self, key: str, wants: str) -> FileTrouble:
        return FileTrouble(f"{self.where}: `{key}` {wants}", step=f"mend `{key}` in that file")

    def known(self, table: Mapping[str, Any], keys: set[str], under: str = "") -> None:
        for key in table:
            if key not in keys:
                near = difflib.get_close_matches(key, keys, 1)
                hint = f"; is `{near[0]}` meant?" if near else ""
                raise self.wrong(under + key, f"is not a key of a limits file{hint}")

    def text(self, table: Mapping[str, Any], key: str, under: str = "") -> str:
        value = table.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self.wrong(under + key, "must be a text")
        return value.strip()

    def number(self, table: Mapping[str, Any], key: str, under: str, low: float, high: float) -> float | None:
        value = table.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.wrong(under + key, f"must be a number from {low:g} to {high:g}")
        return float(value)

    def numbers(self, table: Mapping[str, Any], key: str, under: str, low: float, high: float) -> tuple[float, ...]:
        values = table.get(key)
        if not isinstance(values, list) or not all(
            isinstance(v, int | float) and not isinstance(v, bool) and low <= v <= high for v in values
        ):
            raise self.wrong(under + key, f"must be a list of numbers from {low:g} to {high:g}")
        return tuple(float(v) for v in values)

    def limits(self, data: Mapping[str, Any], sha256: str) -> Limits:
        self.known(data, {"name", "status", "kind", "wheel", "timing_edge", "source", "sequence", "measure"})
        status, kind = self.text(data, "status"), self.text(data, "kind")
        if status not in ("proposal", "set"):
            raise self.wrong("status", 'must be "proposal" or "set"')
        if kind not in SENSOR_KINDS:
            raise self.wrong("kind", f"must be one of {', '.join(SENSOR_KINDS)}")
        wheel = catalogue.wheel(self.text(data, "wheel"))
        edge = data.get("timing_edge", "auto")
        if not isinstance(edge, str) or edge not in TIMING_EDGES:
            raise self.wrong("timing_edge", f"must be one of {', '.join(TIMING_EDGES)}")
        measures = data.get("measure")
        if not isinstance(measures, dict) or not measures:
            raise self.wrong("measure", "must be a table with at least one measure")
        return Limits(
            self.text(data, "name"),
            kind,
            wheel,
            status == "proposal",
            self.text(data, "source"),
            self.sequence(data.get("sequence", {})),
            {name: self.limit(name, body) for name, body in measures.items()},
            sha256,
            TIMING_EDGES[edge],
        )

    def sequence(self, table: Any) -> Sequence:
        if not isinstance(table, dict):
            raise self.wrong("sequence", "must be a table")
        names, under = set(Sequence.__slots__), "sequence."
        found: dict[str, Any] = {}
        self.known(table, names, under)
        for key, low, high in (
            ("sweep_s", 1.0, 600.0),
            ("hot_c", 30.0, 200.0),
            ("cold_c", -60.0, 15.0),
            ("confidence", 0.5, 0.9999),
            ("fault_rate", 1e-6, 0.5),
            ("coverage", 1.0, 4.0),
        ):
            if (value := self.number(table, key, under, low, high)) is not None:
                found[key] = value
        for key, low, high in (("sweep_rpm", 1.0, 20000.0), ("dwell_rpm", 1.0, 20000.0), ("air_gaps_mm", 0.05, 10.0)):
            if key in table:
                found[key] = self.numbers(table, key, under, low, high)
        flex = table.get("flex", False)
        if not isinstance(flex, bool):
            raise self.wrong("sequence.flex", "must be true or false")
        made = Sequence(**found, flex=flex)
        if len(made.sweep_rpm) != 2 or made.sweep_rpm[0] >= made.sweep_rpm[1]:
            raise self.wrong("sequence.sweep_rpm", "must be two speeds, the lower one first")
        if not made.dwell_rpm:
            raise self.wrong("sequence.dwell_rpm", "must hold at least one speed")
        return made

    def limit(self, name: str, table: Any) -> Limit:
        under = f"measure.{name}."
        if name not in UNITS:
            near = difflib.get_close_matches(name, UNITS, 1)
            hint = f"; is `{near[0]}` meant?" if near else f": they are {', '.join(UNITS)}"
            raise self.wrong(f"measure.{name}", f"is no measure of the bench{hint}")
        if not isinstance(table, dict):
            raise self.wrong(f"measure.{name}", "must be a table")
        self.known(table, {"low", "high", "unit", "source", "required", "meter_share", "meter_plus", *STAGES}, under)
        unit = table.get("unit")
        if unit != UNITS[name]:
            raise self.wrong(under + "unit", f'must be "{UNITS[name]}"')
        required = table.get("required", True)
        if not isinstance(required, bool):
            raise self.wrong(under + "required", "must be true or false")
        share = self.number(table, "meter_share", under, 0.0, 0.5) or 0.0
        plus = self.number(table, "meter_plus", under, 0.0, 1e12) or 0.0
        if name not in TYPED and (share or plus):
            raise self.wrong(under + ("meter_share" if share else "meter_plus"), "is for what is read from a meter")
        stages = {}
        for stage in STAGES:
            if stage in table:
                own = table[stage]
                if not isinstance(own, dict):
                    raise self.wrong(under + stage, "must be a table")
                self.known(own, {"low", "high"}, f"{under}{stage}.")
                stages[stage] = self.span(own, f"{under}{stage}.")
        return Limit(
            name, unit, *self.span(table, under), self.text(table, "source", under), required, (share, plus), stages
        )

    def span(self, table: Mapping[str, Any], under: str) -> tuple[float | None, float | None]:
        low = self.number(table, "low", under, -1e12, 1e12)
        high = self.number(table, "high", under, -1e12, 1e12)
        if low is None and high is None:
            raise self.wrong(under + "high", "or `low` must be given")
        if low is not None and high is not None and low >= high:
            raise self.wrong(under + "low", "must be below `high`")
        return low, high
