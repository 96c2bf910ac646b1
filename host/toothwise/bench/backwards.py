"""A recording read from its end: from speed, where the count is beyond doubt, down to where it is lost.

A sensor that wakes in the middle of a turn gives a few teeth here and there, and a tracker that begins there may take
the gap for somewhere else and need many turns to see it. Read backwards, the same wheel turns the other way, and the
tracker begins where nothing is in doubt. Of two readings the one with fewer faults is the likelier.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from toothwise.edges.signal import Blind, Clock, Edges
from toothwise.records import Event
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker
from toothwise.wheel.pattern import Wheel

UNEXPLAINED = ("missing", "extra", "contact")


def mirrored(wheel: Wheel) -> Wheel:
    """The wheel as it passes when it turns the other way; its tooth k is this one's tooth n + 1 - k."""
    angles = np.array(wheel.angles_deg)
    return replace(wheel, name=f"{wheel.name} backwards", angles_deg=tuple((angles[-1] - angles[::-1]).tolist()))


def read_backwards(
    edges: Edges, until_tick: int, blind: Sequence[Blind], wheel: Wheel, clock: Clock, timing_level: int
) -> Teeth | None:
    """Teeth and events in their true order; None for a wheel told by its teeth's widths, which differ both ways.

    Events that are not about teeth or edges (a stop, a silence) are left out.
    """
    if wheel.widths_deg is not None or wheel.symmetry != wheel.teeth or not len(edges):
        return None
    before = np.concatenate([[1 - edges.levels[0]], edges.levels[:-1]]).astype(np.uint8)
    turned = Edges((until_tick - edges.ticks)[::-1].copy(), before[::-1].copy())
    blind = [Blind(until_tick - b.end_tick, until_tick - b.start_tick, b.reason, b.channel) for b in blind]
    tracker = Tracker(mirrored(wheel), clock, timing_level=1 - timing_level)
    parts = [tracker.feed(turned, until_tick, sorted(blind, key=lambda b: b.start_tick)), tracker.finish(until_tick)]
    return _true_order(parts, until_tick, wheel)


def _true_order(parts: list[Teeth], until_tick: int, wheel: Wheel) -> Teeth:
    ticks = until_tick - np.concatenate([p.ticks for p in parts])[::-1]
    tooth = (wheel.teeth + 1 - np.concatenate([p.tooth for p in parts])[::-1]).astype(np.int32)
    turning = np.concatenate([p.turning for p in parts])[::-1]
    # Revolutions counted from the first tooth 1; before it, -1.
    counted = np.cumsum((np.diff(tooth, prepend=wheel.teeth + 1) < 0) | (tooth == 1)) - 1
    first = int(np.argmax(tooth == 1)) if (tooth == 1).any() else len(tooth)
    revolution = counted - (counted[first] if first < len(tooth) else 0)
    revolution[:first] = -1
    events = []
    for event in (e for part in parts for e in part.events if e.kind in UNEXPLAINED):
        start, end = until_tick - event.end_tick, until_tick - event.tick
        events.append(Event(event.kind, event.channel, start, end, count=event.count, level=event.level))
    turning = (turning.max(initial=0) - turning).astype(np.int32)
    none = np.full(len(ticks), -1, np.int64)
    return Teeth(ticks, none, tooth, revolution, turning, tuple(sorted(events, key=lambda e: e.tick)))


def faults(events: Sequence[Event]) -> int:
    """Teeth missing, edges too many, and edges that were taken for no turning at all."""
    return sum(e.count for e in events if e.kind in UNEXPLAINED)
