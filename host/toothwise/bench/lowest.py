"""The lowest speed with a full count, and what can be said where none so low was seen.

A sensor fails on it only where the wheel is known to have turned slower with the count not full: the master counted
there, or the sensor's own first tooth came out of a long silence at more than the limit, or teeth were missing above
it. A sweep that was merely too quick for two slow turns says nothing against the sensor: retest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from toothwise.bench.decide import judge
from toothwise.bench.limits import Limit
from toothwise.bench.result import FAIL, RETEST
from toothwise.edges.signal import Clock
from toothwise.records import TOOTH_KINDS, Event, Judged
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

SILENT_PITCHES = 4.0
"""A first tooth after so many of the slow wheel's pitches of silence, already fast, was not the first to pass."""


def judge_lowest(
    limit: Limit,
    found: float | None,
    teeth: Teeth,
    events: Sequence[Event],
    wheel: Wheel,
    clock: Clock,
    master_rpm: float | None,
    stage: str,
    coverage: float,
) -> Judged:
    """found: the sensor's lowest full count in rpm, None without any. master_rpm: the master's in the same sweep."""
    most = limit.at(stage)[1]
    doubt = None if found is None else _doubt(found, teeth, wheel, clock)
    judged = judge(limit, found, doubt, stage, coverage)
    if most is None or (found is not None and judged.verdict != FAIL):
        return judged
    proof = _proof(most, found, teeth, events, wheel, clock, master_rpm)
    if proof is None:
        words = f"{judged.words}; nothing so slow was seen with certainty: begin the sweep slower"
        return Judged(limit.name, found, limit.unit, doubt, *limit.at(stage), RETEST, stage, words)
    if found is None:
        return Judged(limit.name, None, limit.unit, None, *limit.at(stage), FAIL, stage, f"no full count: {proof}")
    words = f"{judged.words}: {proof}"
    return Judged(limit.name, found, limit.unit, doubt, *limit.at(stage), FAIL, stage, words)


def turn_rpm(teeth: Teeth, wheel: Wheel, clock: Clock) -> tuple[np.ndarray, np.ndarray]:
    """(place of the tooth that ends it, speed in rpm) of every unbroken turn."""
    n = wheel.teeth
    if len(teeth) <= n:
        return np.empty(0, np.int64), np.empty(0)
    at = np.arange(n, len(teeth))
    whole = (teeth.tooth[at] == teeth.tooth[at - n]) & (teeth.turning[at] == teeth.turning[at - n])
    at = at[whole]
    turns = wheel.turn_deg / 360.0
    span = (teeth.ticks[at] - teeth.ticks[at - n]) * (clock.tick_ns * 1e-9)
    fast = span < 1e-9 + 3600.0
    return at[fast], 60.0 * turns / np.maximum(span[fast], 1e-9)


def _doubt(found: float, teeth: Teeth, wheel: Wheel, clock: Clock) -> float:
    """The threshold lies between this turn's speed and the one before it: a rectangular distribution (GUM 4.3.7)."""
    at, rpm = turn_rpm(teeth, wheel, clock)
    if not len(at):
        return 0.0
    near = int(at[np.argmin(np.abs(rpm - found))])
    before = np.flatnonzero(at == near - wheel.teeth)
    return float(abs(found - rpm[before[0]]) / math.sqrt(3.0)) if len(before) else 0.0


def _proof(
    most: float,
    found: float | None,
    teeth: Teeth,
    events: Sequence[Event],
    wheel: Wheel,
    clock: Clock,
    master_rpm: float | None,
) -> str | None:
    """What proves that the wheel turned slower than `found` with the count not full; None where nothing does."""
    if master_rpm is not None:
        slower = found is None or master_rpm < 0.9 * found
        return f"the master counted fully from {master_rpm:.0f} rpm" if slower and master_rpm <= most else None
    at, rpm = turn_rpm(teeth, wheel, clock)
    for event in events:
        if event.kind in TOOTH_KINDS and len(at):
            near = float(rpm[np.argmin(np.abs(teeth.ticks[at] - event.tick))])
            if near > most:
                return f"teeth were missed at {near:.0f} rpm"
    if len(teeth) < 3:
        return None
    pitch_s = 60.0 / most / wheel.slots
    steps = np.diff(teeth.ticks[:3]) * (clock.tick_ns * 1e-9)
    slots = np.diff(np.array(wheel.angles_deg)[teeth.tooth[:3] - 1]) % wheel.turn_deg / wheel.pitch_deg
    first_rpm = float(np.min(slots / steps)) * 60.0 / wheel.slots
    silent = clock.span_s(int(teeth.ticks[0]))
    if silent > SILENT_PITCHES * pitch_s and first_rpm > most:
        return f"nothing came for {silent:.1f} s, then the first teeth at {first_rpm:.0f} rpm"
    return None
