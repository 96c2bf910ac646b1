"""The two small records that tracking and checks produce: events and measures.

Kinds of event (see also README): missing, extra, silent, stopped, feed_low, contact, blind.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from toothwise.edges.signal import Clock

EVENT_KINDS = ("missing", "extra", "silent", "stopped", "feed_low", "contact", "blind")


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
