"""The small records that are found and passed on: events and measures, and what a bench found of a sensor.

What each kind of event means stands in README.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from toothwise.edges.signal import Clock

RESULT_SCHEMA = 1
TOOTH_KINDS = ("missing", "extra", "silent")
"""A signal that is not its wheel's."""
FAULT_KINDS = (*TOOTH_KINDS, "feed_low", "contact")
"""All that speak of a fault."""
NO_FAULT_KINDS = ("blind", "stopped")
"""A wheel that stopped is no fault, and a blind stretch speaks for nothing."""
EVENT_KINDS = (*FAULT_KINDS, *NO_FAULT_KINDS)
"""In the order in which they are drawn."""

SEEN, BLIND, EXTRA, MISSING = 1, 2, 4, 8
"""Bits of a raster's cell, one tooth in one revolution or several. Where several are set the greatest is shown; 0 where
nothing is known, or no tooth is there. BLIND: nobody can vouch for it."""


def finite_or_none(value: Any) -> float | None:
    """As `finite`; None stays None."""
    return None if value is None else finite(value)


def finite(value: Any) -> float:
    """What was written down, as a finite number. Raises ValueError or TypeError."""
    try:
        number = float(value)
    except OverflowError:  # a whole number of hundreds of digits
        number = math.inf
    if not math.isfinite(number):
        raise ValueError(f"{value} is no number")
    return number


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at a time. Field meanings are those of the JSON.

    tick: for `missing`, when the first absent tooth was due; for the others, the first edge or the start.
    end_tick: where it was over; equal to `tick` for a single edge.
    revolution: counted from 0 at the first tracked tooth 1; None before it, or where nothing is tracked.
    tooth: for `missing` the first absent tooth; for `extra` the tooth (or the last tooth before the gap) whose
        pitch it fell in; None where unknown.
    angle_deg: from tooth 1, in the wheel's own degrees.
    count: teeth for `missing` and `silent`; level changes for `extra` and `contact` (a lone pulse counts 2).
    level: what the line held during a `missing` or `silent` stretch.
    more: further plain facts of one kind of event, e.g. what proves that the wheel was turning.
    """

    kind: str
    channel: str
    tick: int
    end_tick: int
    revolution: int | None = None
    tooth: int | None = None
    angle_deg: float | None = None
    count: int = 1
    level: int | None = None
    more: dict[str, Any] = field(default_factory=dict)

    def as_json(self, clock: Clock) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "channel": self.channel,
            "t_s": round(clock.seconds(self.tick), 9),
            "duration_s": round(clock.span_s(self.end_tick - self.tick), 9),
            "revolution": self.revolution,
            "tooth": self.tooth,
            "angle_deg": None if self.angle_deg is None else round(self.angle_deg, 3),
            "count": self.count,
            "level": self.level,
            **self.more,
        }


@dataclass(frozen=True, slots=True)
class Measure:
    """A number about a stretch of signal, with its unit and, where it can be given, its standard uncertainty."""

    name: str
    value: float
    unit: str
    uncertainty: float | None = None
    about: dict[str, Any] = field(default_factory=dict)
    """What it is about: {"tooth": 17}, {"cylinder": 3}, {"edge": 2}, {"channel": "cam"} …"""

    def as_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "uncertainty": self.uncertainty,
            **self.about,
        }


@dataclass(frozen=True, slots=True)
class Judged:
    """One measure of a sensor on the bench against its limits.

    value: None where it could not be measured. uncertainty: standard uncertainty, in `unit`; None where none applies.
    low, high: the limits, None where there is none. verdict: pass, retest or fail. stage: in which part of the
    sequence. words: why, in words.
    """

    name: str
    value: float | None
    unit: str
    uncertainty: float | None
    low: float | None
    high: float | None
    verdict: str
    stage: str = ""
    words: str = ""

    @property
    def key(self) -> str:
        """Name and stage: what makes two sensors' measures comparable."""
        return f"{self.name} {self.stage}".strip()


@dataclass(frozen=True, slots=True)
class ResultLine:
    """One sensor's run on the bench, in short.

    uuid: given once, where the run is made; the same result sent twice is still one. sensor_type: the name in its
    limits file. bench: the name of the bench. started_utc, ended_utc: ISO 8601, UTC, to the second. verdict: the worst
    of its measures'. reasons: in words.
    """

    uuid: str
    lot: str
    serial: str
    sensor_type: str
    bench: str
    started_utc: str
    ended_utc: str
    verdict: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SensorResult(ResultLine):
    """The whole of it. `as_dict` is plain JSON and what the book keeps; `bench.result.from_dict` reads it back.
    Fields may be added, never renamed.

    reference: one of bench.result.REFERENCES. versions: program, firmware, board, and the SHA-256 of the limits.
    recordings: numbers in the book of the bench that made them.
    """

    measures: tuple[Judged, ...]
    reference: str = "none"
    versions: Mapping[str, str] = field(default_factory=dict)
    recordings: tuple[int, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain JSON."""
        body = asdict(self) | {key: list(getattr(self, key)) for key in ("reasons", "recordings")}
        return {"schema": RESULT_SCHEMA, **body, "measures": [asdict(m) for m in self.measures]}
