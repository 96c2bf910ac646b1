"""What an examination comes to, and the object that a machine reads."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from toothwise import __version__
from toothwise.edges.signal import Clock
from toothwise.examine.speed import SpeedRange
from toothwise.records import FAULT_KINDS, Event, Measure
from toothwise.wheel.pattern import Wheel

SCHEMA = 1
"""Raised only when a field is renamed or removed, which is not meant to happen."""


@dataclass(frozen=True, slots=True)
class Tally:
    """The running counts of the crank channel, for a live view.

    until_s: the recording's own time up to which everything is decided but the last few teeth.
    speed_rpm: the speed now, of the wheel; None while nothing turns or no wheel is known.
    revolutions: whole turns' worth of teeth.
    """

    until_s: float
    edges: int
    seen: int
    missing: int
    extra: int
    revolutions: int
    blind_s: float
    speed_rpm: float | None
    feed_low: bool


@dataclass(slots=True)
class Result:
    """A whole recording, examined. `measures`, `causes` and `job` may be filled in by whoever has more to say.

    timing_level: the level after the edge of the crank that marks its teeth; None while that is not known.
    job: the card that the causes were weighed by, in plain types; None without one.
    course: see `examine.course`; None where no wheel was followed.
    crank: the channel that was followed as the crank.
    looks_like: the wheel that the signal shows where it is hardly the one that was told; else empty.
    candidates: where no wheel could be settled on, the ones that were not ruled out.
    """

    clock: Clock
    source: dict[str, Any]
    edge_counts: dict[str, int]
    until_tick: int
    wheel: Wheel | None
    identified: bool
    timing_level: int | None
    candidates: tuple[str, ...]
    revolutions: int
    speed: SpeedRange | None
    seen: int
    missing: int
    extra: int
    events: list[Event]
    blind_s: float
    measures: list[Measure] = field(default_factory=list)
    causes: list[dict[str, Any]] = field(default_factory=list)
    job: dict[str, Any] | None = None
    course: dict[str, Any] | None = None
    looks_like: str = ""
    crank: str = "crank"

    @property
    def faults(self) -> list[Event]:
        """The events that speak of a fault."""
        return [event for event in self.events if event.kind in FAULT_KINDS]

    def as_json(self) -> dict[str, Any]:
        """The object of the README's page "What a machine reads". Plain types only, ready for
        `json.dumps`."""
        span_s = round(self.clock.span_s(self.until_tick), 9)
        return {
            "schema": SCHEMA,
            "source": self.source,
            "channels": {
                channel: {"edges": count, "tick_ns": self.clock.tick_ns, "span_s": span_s}
                for channel, count in self.edge_counts.items()
            },
            "wheel": self._wheel_json(),
            "revolutions": self.revolutions,
            "speed_rpm": None if self.speed is None else self.speed.as_json(),
            "teeth": {
                "expected": self.seen + self.missing,
                "seen": self.seen,
                "missing": self.missing,
                "extra": self.extra,
            },
            "events": [event.as_json(self.clock) for event in self.events],
            "by_tooth": self.by_tooth(),
            "measures": [_finite(m) for m in self.measures if math.isfinite(m.value)],
            "blind_s": round(self.blind_s, 9),
            "causes": self.causes,
            "job": self.job,
            "course": self.course,
            "version": __version__,
        }

    def by_tooth(self) -> list[dict[str, Any]]:
        """How often each tooth was missing, or had extra edges after it: the most frequent first."""
        lots: dict[tuple[str, str, int], list[Event]] = {}
        for event in self.events:
            if event.kind in ("missing", "extra") and event.tooth is not None:
                lots.setdefault((event.channel, event.kind, event.tooth), []).append(event)
        return [
            {
                "channel": channel,
                "kind": kind,
                "tooth": tooth,
                "angle_deg": None if (angle := events[0].angle_deg) is None else round(angle, 3),
                "events": len(events),
            }
            for (channel, kind, tooth), events in sorted(lots.items(), key=lambda lot: (-len(lot[1]), lot[0]))
        ]

    def _wheel_json(self) -> dict[str, Any]:
        if self.wheel is None:
            return {
                "name": None,
                "slots": None,
                "gaps": [],
                "identified": False,
                "candidates": list(self.candidates),
            }
        return {
            "name": self.wheel.name,
            "slots": self.wheel.slots,
            "gaps": self.wheel.gaps,
            "identified": self.identified,
            "looks_like": self.looks_like or None,
            "teeth_deg": [round(angle, 6) for angle in self.wheel.angles_deg],
            "turn_deg": self.wheel.turn_deg,
            "timing_level": self.timing_level,
        }


def _finite(measure: Measure) -> dict[str, Any]:
    """A measure as JSON, which has no word for an uncertainty that could not be computed but null."""
    row = measure.as_json()
    known = measure.uncertainty is not None and math.isfinite(measure.uncertainty)
    return {**row, "uncertainty": row["uncertainty"] if known else None}
