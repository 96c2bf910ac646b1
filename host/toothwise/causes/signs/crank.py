"""What the crank's signal itself shows: teeth absent, edges too many, and where on the wheel they lie."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from statistics import median

from toothwise.causes.findings import Findings
from toothwise.causes.signs import Sighting, plural
from toothwise.records import Event

ENOUGH_TURNS = 20
"""Fewer clean turns say nothing about a fault that comes now and then; common practice, no source."""

_LATER = 0.3
"""What a whole signal tells that was not there from the start: the teeth before it were absent, all of them."""

_ZONE = 0.15
"""A weak stretch is at most so much of the wheel; reasoned from runout, no source."""

LATE_S = 0.25
"""A recording that starts so long before the first edge started with the wheel at rest, or without a signal."""

LONG_S = 1.0
"""A silence of so long is what there is to say, whatever dropouts there were besides; common practice, no source."""

CRANKING_RPM = 350.0
"""No starter turns an engine faster: 150 to 300 rpm [T]."""

_STRIPE_P = 1e-3
"""Chance, at most, that random faults keep to one tooth so well; a usual level for a single test."""

# The shares and counts from here on are judgements: common practice, no source.
_DEAD = 0.8
"""A signal that is silent for more than this share of the recording is dead, whatever it gave besides."""

_AT_ONE_TOOTH = 0.8
"""So many of the faults at one tooth belong to it: the others are faults of their own, or were numbered a tooth off."""

_OFTEN = 8
"""So many faults in one place need no p-value: eight of ten at the same of 12 teeth come by chance about once in a
million [D]."""

_NEARLY_ALL = 0.9
"""So many dropouts of a zone, or of a run of them once a turn, lie where it says."""


def lost(findings: Findings) -> list[Event]:
    """The crank's dropouts. A silence whose teeth can be counted comes with the same thing as `missing`: once here."""
    events = findings.of_kind("missing", "silent", channel=findings.crank)
    silences = {(e.end_tick, e.count) for e in events if e.kind == "silent"}
    return [e for e in events if e.kind == "silent" or (e.end_tick, e.count) not in silences]


def dropouts(findings: Findings) -> Iterator[Sighting]:
    """Are teeth absent, and which?"""
    edges = findings.channels.get(findings.crank)
    if edges is None:
        return
    events = lost(findings)
    silent = [e for e in events if e.kind == "silent"]
    silent_s = sum(findings.clock.span_s(e.end_tick - e.tick) for e in silent)
    turned = max((count for name, count in findings.channels.items() if name == "cam"), default=0) > 4
    if (turned and edges <= 4) or silent_s > _DEAD * findings.span_s > 0:
        yield Sighting("dropouts", "dead", f"no crank signal for {silent_s or findings.span_s:.1f} s while it turned")
        return
    if silent and (len(silent) >= len(events) / 2 or silent_s > LONG_S):
        often = plural(len(silent), "time")
        words = f"the crank line held still {often} while it turned, {silent_s:.2f} s in all"
        yield Sighting("dropouts", "silent", words)
        return
    if not findings.wheel or not findings.revolutions:
        return
    if not events:
        if findings.revolutions >= ENOUGH_TURNS:
            words = f"no tooth absent in {plural(findings.revolutions, 'turn')}"
            strength = min(1.0, findings.revolutions / 100)
            if any(s.outcome == "at speed" for s in appears(findings)):
                words, strength = f"{words}, once the signal is there", _LATER * strength
            yield Sighting("dropouts", "none", words, strength)
        return
    teeth = Counter(e.tooth for e in events if e.tooth is not None)
    count = sum(e.count for e in events)
    total = f"{plural(count, 'tooth', 'teeth')} absent in {plural(findings.revolutions, 'turn')}"
    places = sum(teeth.values())
    tooth, most = teeth.most_common(1)[0] if teeth else (None, 0)
    p = next((m for m in findings.values("stripe_p") if m.about.get("kind") == "missing"), None)
    striped = p is not None and p.value < _STRIPE_P
    if places >= 3 and most >= _AT_ONE_TOOTH * places and (striped or most >= _OFTEN):
        chance = f", p = {p.value:.1g}" if striped and p is not None else ""
        words = f"{total}, {most} of {plural(places, 'time')} at tooth {tooth}{chance}"
        run = median(e.count for e in events if e.tooth == tooth)
        if run > max(2, round(_ZONE * findings.teeth)):  # so many in a row every time are a side of the wheel
            words = f"{words}, {run:.0f} teeth in a row"
            yield Sighting("dropouts", "one zone", words, min(1.0, most / _OFTEN))
        else:
            yield Sighting("dropouts", "one tooth", words, min(1.0, most / _OFTEN))
    elif places >= 6 and (zone := _zone(teeth, findings.teeth)) is not None:
        words = f"{total}, most of them from tooth {zone[0]} to tooth {zone[1]}"
        yield Sighting("dropouts", "one zone", words, min(1.0, places / 20))
    elif (turns := _once_a_turn(events, findings.teeth)) is not None:
        words = f"{total}, once a turn in the same place, {turns} of {plural(places, 'time')}"
        yield Sighting("dropouts", "one zone", words, min(1.0, places / 20))
    else:
        yield Sighting("dropouts", "scattered", f"{total}, spread over the wheel", min(1.0, 0.4 + places / 10))


def _zone(teeth: Counter[int], whole: int) -> tuple[int, int] | None:
    """The run of neighbouring teeth, at most a small part of the wheel, that holds nearly all of them."""
    width = max(2, round(_ZONE * whole))
    total = sum(teeth.values())
    if whole < 12:
        return None
    for start in range(1, whole + 1):
        if sum(teeth[(start - 1 + step) % whole + 1] for step in range(width)) >= _NEARLY_ALL * total:
            return start, (start + width - 2) % whole + 1
    return None


def _once_a_turn(events: list[Event], whole: int) -> int | None:
    """How often a dropout began whole turns behind the one before, if nearly all did; else None.

    Where one hides a gap, nobody knows which tooth it began with, and the number may wander from turn to turn.
    """
    if whole < 12:
        return None
    places = [(e.revolution or 0) + (e.tooth - 1) / whole for e in events if e.tooth is not None]
    apart = [later - place for place, later in pairwise(places)]
    whole_turns = sum(1 for a in apart if round(a) >= 1 and abs(a - round(a)) <= _ZONE / 2)
    return whole_turns if len(apart) >= _OFTEN and whole_turns >= _NEARLY_ALL * len(apart) else None


def speed(findings: Findings) -> Iterator[Sighting]:
    """Do teeth go only when it turns slowly?"""
    speeds = [rpm for event in lost(findings) if (rpm := _speed_at(event, findings)) is not None]
    if len(lost(findings)) < 3 or not speeds or findings.speed_rpm is None:
        return
    fastest = max(speeds)
    least, _, greatest = findings.speed_rpm
    if greatest < 1.5 * max(least, 1.0):
        return  # one speed alone cannot tell
    strength = min(1.0, len(lost(findings)) / 10)
    if fastest <= 0.75 * greatest:
        words = f"teeth go absent only up to {fastest:.0f} rpm; {greatest:.0f} rpm was reached"
        yield Sighting("speed", "slow only", words, strength)
    else:
        yield Sighting("speed", "any speed", f"teeth go absent up to {fastest:.0f} rpm", strength)


def _speed_at(event: Event, findings: Findings) -> float | None:
    """Revolutions a minute while the teeth of a dropout were due, from how many and how long; None if not told."""
    span_s = findings.clock.span_s(event.end_tick - event.tick)
    if event.more.get("at_least") or not event.count or not findings.teeth or span_s <= 0.0:
        return None
    return 60.0 * event.count / findings.teeth / span_s


def extras(findings: Findings) -> Iterator[Sighting]:
    """Are there edges that no tooth made, and what do they keep time with?"""
    if findings.channels.get(findings.crank) is None or not findings.wheel:
        return
    events = findings.of_kind("extra", channel=findings.crank)
    if not events:
        if findings.revolutions >= ENOUGH_TURNS:
            words = f"no edge too many in {plural(findings.revolutions, 'turn')}"
            yield Sighting("extras", "none", words, min(1.0, findings.revolutions / 100))
        return
    seen = f"{plural(len(events), 'cluster')} of extra edges in {plural(findings.revolutions, 'turn')}"
    strength = min(1.0, len(events) / _OFTEN)
    order = findings.value("extra_order")
    teeth = Counter(e.tooth for e in events if e.tooth is not None)
    tooth, most = teeth.most_common(1)[0] if teeth else (None, 0)
    if most >= 5 and most >= _AT_ONE_TOOTH * sum(teeth.values()):
        # Once a turn and always there belongs to the wheel, whatever order it keeps to.
        yield Sighting("extras", "one tooth", f"{seen}, {most} of them at tooth {tooth}", strength)
    elif order is not None and order.about.get("source") in ("ignition", "alternator"):
        source = str(order.about["source"])
        words = f"{seen}, {order.value:.2f} a turn, which keeps to the {source}"
        yield Sighting("extras", source, words, strength)
    else:
        yield Sighting("extras", "scattered", f"{seen}, keeping to nothing", strength)


def fit(findings: Findings) -> Iterator[Sighting]:
    """Is it the wheel that the card says?"""
    if findings.channels.get(findings.crank, 0) < 200:
        return  # too few edges to know a wheel by
    said = findings.job.sensor.wheel
    seen = findings.wheel if findings.identified else ""
    lost_teeth = sum(e.count for e in lost(findings))
    if findings.looks_like:
        yield Sighting("fit", "another", f"the signal shows a {findings.looks_like} wheel, not {findings.wheel}")
    elif said and seen and seen != said:
        yield Sighting("fit", "another", f"the signal shows a {seen} wheel, the card says {said}")
    elif not findings.wheel:
        yield Sighting("fit", "none", f"{findings.channels[findings.crank]} edges, and no wheel fits them")
    elif findings.revolutions >= ENOUGH_TURNS and lost_teeth < 0.1 * findings.teeth * findings.revolutions:
        yield Sighting("fit", "fits", f"the signal is that of a {findings.wheel} wheel")


def appears(findings: Findings) -> Iterator[Sighting]:
    """Does the signal begin with the turning, or only at speed?"""
    first, rpm = findings.value("first_edge"), findings.value("startup_rpm")
    if first is None or rpm is None or first.value < LATE_S:
        return  # the recording began while it turned, or with its first edge
    words = f"the signal begins {first.value:.1f} s into the recording, at {rpm.value:.0f} rpm"
    yield Sighting("appears", "at speed" if rpm.value > CRANKING_RPM else "from rest", words)


SIGNS = (dropouts, speed, extras, fit, appears)
