"""A recorded run judged as a live one: for files, for the book, and for made sensors.

The whole of it is looked at for the lowest speed with a full count. What is counted and measured is what lies above
that measure's limit: there the sensor has to count fully.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

import numpy as np

from toothwise import __version__
from toothwise.bench import decide, reference
from toothwise.bench.figures import Counts, Figures, Master
from toothwise.bench.limits import TYPED, Limits
from toothwise.bench.lowest import turn_rpm
from toothwise.bench.result import new_uuid, utc_now
from toothwise.bench.stage import Watch
from toothwise.edges.signal import Blind, Clock, Edges, Recording
from toothwise.records import Event, SensorResult
from toothwise.track.teeth import Teeth
from toothwise.wheel.identify import identify

MOST_LOOKED_AT = 4000
"""Edges by which another wheel is made out."""


def judge_recording(
    open_again: Callable[[], Recording],
    limits: Limits,
    *,
    master: Master | None = None,
    typed: Mapping[str, float] | None = None,
    lot: str = "",
    serial: str = "",
    bench: str = "",
    recordings: tuple[int, ...] = (),
    signal_alone: bool = False,
) -> SensorResult:
    """open_again: gives the recording from its beginning, each time it is called. typed: meter readings by name.
    signal_alone: judge what a recording can hold; a reading that was not typed is told of and not asked for."""
    began = utc_now()
    if signal_alone:
        limits = _for_signals(limits)
    recording = open_again()
    sweep = Figures("sweep", limits, recording.clock, master)
    watch = Watch(limits, recording.clock, recording.channels)
    sensor: list[Teeth] = []
    aux: list[Teeth] = []
    edges: list[Edges] = []
    blind: list[Blind] = []
    for batch in recording.batches():
        edges.append(batch.edges.get(watch.examination.crank, Edges.none()))
        blind += batch.blind
        new = watch.feed(batch)
        sensor += new[0]
        aux += new[1]
    *last, result = watch.finish()
    sensor += last[0]
    aux += last[1]
    events = [e for e in result.events if e.channel == watch.examination.crank]
    whole = Edges.join(edges)
    back = watch.likeliest(result, whole, blind)
    if back is not None:
        sensor, events = [back], list(back.events)
    for teeth in sensor:
        sweep.add_teeth(teeth)
    for teeth in aux:
        sweep.add_master(teeth)
    first, end = _counted(limits, reference.joined(sensor), sweep)
    dwell = Figures("dwell", limits, recording.clock, master)
    for teeth in sensor:
        dwell.add_teeth(_cut(teeth, first, end))
    for teeth in aux:
        dwell.add_master(_cut(teeth, first, end))
    counted = _cut_edges(whole, first, end)
    dwell.add_edges(counted)
    judged = decide.readings(limits, typed or {}) + sweep.judge(Counts(0, 0, 0), events)
    counts = _counts(sensor, events, first, end, limits)
    judged += dwell.judge(counts, events)
    judged += decide.never_measured(limits, judged)
    verdict, reasons = decide.verdict(judged)
    if (other := _other_wheel(limits, counts, counted, recording.clock)) is not None:
        wheels = f"the signal is that of a wheel {other}, the limits are for {limits.wheel.name}"
        reasons = (f"{wheels}: is it the right test wheel?", *reasons)
    return SensorResult(
        new_uuid(),
        lot,
        serial,
        limits.name,
        bench,
        began,
        utc_now(),
        verdict,
        reasons,
        tuple(judged),
        dwell.reference,
        versions(limits),
        recordings,
    )


def _for_signals(limits: Limits) -> Limits:
    measures = {n: replace(one, required=one.required and n not in TYPED) for n, one in limits.measures.items()}
    return replace(limits, measures=measures)


def _other_wheel(limits: Limits, counts: Counts, edges: Edges, clock: Clock) -> str | None:
    """The name of the wheel that a signal full of faults fits better; None where it has few, or fits no other."""
    if counts.missing + counts.extra <= counts.revolutions:
        return None
    found = identify(Edges(edges.ticks[-MOST_LOOKED_AT:], edges.levels[-MOST_LOOKED_AT:]), clock).wheel
    return None if found is None or found.name == limits.wheel.name else found.name


def versions(limits: Limits, more: Mapping[str, str] | None = None) -> dict[str, str]:
    """What a result was made and judged by."""
    stand = "proposal" if limits.proposal else "set"
    return {"toothwise": __version__, "limits": stand, "limits_sha256": limits.sha256, **(more or {})}


def _counted(limits: Limits, teeth: Teeth, sweep: Figures) -> tuple[int, int]:
    """First and end tick of what lies above the limit of the lowest full count; of all where there is none."""
    whole = (-(1 << 62), 1 << 62)
    limit = limits.measures.get("lowest_full_count")
    least = None if limit is None else limit.at("sweep")[1]
    at, rpm = turn_rpm(teeth, limits.wheel, sweep.clock)
    if least is None or not len(at):
        return whole
    fast = np.flatnonzero(rpm > least)
    if not len(fast):
        return 0, 0
    # From the tooth that ends the first such turn: the sensor was below the limit within it. To the last one's end,
    # or, where nothing slower follows, to the very end.
    first = whole[0] if fast[0] == 0 else int(teeth.ticks[at[fast[0]]])
    end = whole[1] if fast[-1] == len(rpm) - 1 else int(teeth.ticks[at[fast[-1]]]) + 1
    return first, end


def _counts(sensor: Iterable[Teeth], events: list[Event], first: int, end: int, limits: Limits) -> Counts:
    inside = [e for e in events if first <= e.tick < end]
    missing = sum(e.count for e in inside if e.kind == "missing")
    extra = sum(e.count for e in inside if e.kind == "extra")
    seen = sum(int(((t.ticks >= first) & (t.ticks < end)).sum()) for t in sensor)
    return Counts(missing, extra, (seen + missing) // limits.wheel.teeth)


def _cut(teeth: Teeth, first: int, end: int) -> Teeth:
    part = slice(*np.searchsorted(teeth.ticks, [first, end]).tolist())
    return Teeth(
        teeth.ticks[part],
        teeth.back_ticks[part],
        teeth.tooth[part],
        teeth.revolution[part],
        teeth.turning[part],
        tuple(e for e in teeth.events if first <= e.tick < end),
    )


def _cut_edges(edges: Edges, first: int, end: int) -> Edges:
    part = slice(*np.searchsorted(edges.ticks, [first, end]).tolist())
    return Edges(edges.ticks[part], edges.levels[part])
