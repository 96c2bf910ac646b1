"""All that is known about a job at one moment: what a recording showed, a meter read, the card says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from toothwise.causes.job import Job
from toothwise.edges.signal import Clock
from toothwise.records import Event, Measure

_NANOSECOND = Clock(1.0)
_EVENT_FIELDS = frozenset(
    ("kind", "channel", "t_s", "duration_s", "revolution", "tooth", "angle_deg", "count", "level")
)
_MEASURE_FIELDS = frozenset(("name", "value", "unit", "uncertainty"))


@dataclass(frozen=True, slots=True)
class Findings:
    """What the causes are weighed on. Everything but the job may be absent: then nothing was recorded.

    channels: edges seen on each channel that was watched.
    revolutions: whole turns of the crank's wheel; blind_s, span_s: seconds.
    wheel: the name of the wheel followed, or "" where none could be; teeth: how many it has;
        pitch_deg: from one to the next.
    beside_gaps: the teeth on either side of a gap, and always the first and the last.
    timing_level: which edge of the crank's teeth was followed, by the level after it; None where not known.
    identified: whether the signal itself showed that wheel (True) or the user named it (False).
    looks_like: the wheel that the signal shows where it is hardly the named one.
    speed_rpm: least, middle and greatest.
    wiggled: what the guided wiggle test says of each place: "confirmed", "suspect" or "quiet".
    """

    job: Job = field(default_factory=Job)
    measures: Sequence[Measure] = ()
    events: Sequence[Event] = ()
    clock: Clock = _NANOSECOND
    channels: Mapping[str, int] = field(default_factory=dict)
    revolutions: int = 0
    span_s: float = 0.0
    blind_s: float = 0.0
    wheel: str = ""
    teeth: int = 0
    beside_gaps: frozenset[int] = frozenset()
    identified: bool = False
    looks_like: str = ""
    timing_level: int | None = None
    pitch_deg: float = 0.0
    speed_rpm: tuple[float, float, float] | None = None
    wiggled: Mapping[str, str] = field(default_factory=dict)

    @property
    def recorded(self) -> bool:
        return bool(self.channels)

    @property
    def crank(self) -> str:
        """The channel that carries the crank."""
        return "crank" if "crank" in self.channels or len(self.channels) != 1 else next(iter(self.channels))

    def of_kind(self, *kinds: str, channel: str | None = None) -> list[Event]:
        return [e for e in self.events if e.kind in kinds and channel in (None, e.channel)]

    def values(self, name: str, channel: str | None = None) -> list[Measure]:
        """Measures of that name; those about another channel are left out."""
        named = [m for m in self.measures if m.name == name]
        return [m for m in named if m.about.get("channel", channel) == channel]

    def value(self, name: str) -> Measure | None:
        found = self.values(name, self.crank)
        return found[0] if found else None


def from_json(report: Mapping[str, Any], job: Job) -> Findings:
    """Findings from the object that `examine --json` prints, and from a wiggle test's "places"."""
    clock = _NANOSECOND
    wheel = report.get("wheel") or {}
    speed = report.get("speed_rpm")
    revolutions = int(report.get("revolutions", 0))
    expected = int((report.get("teeth") or {}).get("expected", 0))
    spans = [channel.get("span_s", 0.0) for channel in report.get("channels", {}).values()]
    empty = sum(len(run) for run in wheel.get("gaps") or [])
    teeth = int(wheel["slots"]) - empty if wheel.get("slots") else expected // max(revolutions, 1)
    return Findings(
        job=job,
        measures=[
            Measure(
                m["name"], float(m["value"]), m["unit"], m.get("uncertainty"),
                {k: v for k, v in m.items() if k not in _MEASURE_FIELDS},
            )
            for m in report.get("measures", [])
        ],
        events=[_event(e, clock) for e in report.get("events", [])],
        clock=clock,
        channels={name: int(channel["edges"]) for name, channel in report.get("channels", {}).items()},
        revolutions=revolutions,
        span_s=max(spans, default=0.0),
        blind_s=float(report.get("blind_s", 0.0)),
        wheel=wheel.get("name") or "",
        teeth=teeth,
        beside_gaps=_beside(wheel.get("gaps") or [], teeth),
        identified=bool(wheel.get("identified")),
        looks_like=wheel.get("looks_like") or "",
        timing_level=wheel.get("timing_level"),
        pitch_deg=360.0 / wheel["slots"] if wheel.get("slots") else 0.0,
        speed_rpm=None if not speed else (speed["min"], speed["median"], speed["max"]),
        wiggled={place["place"]: place["stands"] for place in report.get("places", [])},
    )  # fmt: skip


def _beside(gaps: Sequence[Sequence[int]], teeth: int) -> frozenset[int]:
    """Teeth beside gaps, which are runs of empty slots; slot 1 is tooth 1's, and each empty one puts teeth behind."""
    beside = {1, teeth}
    empty = 0
    for run in sorted(gaps, key=lambda run: run[0]):
        before = run[0] - 1 - empty
        beside |= {before or teeth, before % max(teeth, 1) + 1}
        empty += len(run)
    return frozenset(beside)


def _event(e: Mapping[str, Any], clock: Clock) -> Event:
    tick = clock.ticks(e["t_s"])
    return Event(
        kind=e["kind"],
        channel=e["channel"],
        tick=tick,
        end_tick=tick + clock.ticks(e.get("duration_s", 0.0)),
        revolution=e.get("revolution"),
        tooth=e.get("tooth"),
        angle_deg=e.get("angle_deg"),
        count=int(e.get("count", 1)),
        level=e.get("level"),
        more={k: v for k, v in e.items() if k not in _EVENT_FIELDS},
    )
