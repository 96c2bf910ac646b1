"""Plain signals with known faults, made without the project's model: constant speed, tooth by tooth."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise

import numpy as np
from toothwise.edges.signal import Batch, Blind, Clock, Edges, Held
from toothwise.wheel.pattern import Wheel

CLOCK = Clock(16.0)


def turning(
    wheel: Wheel,
    rpm: float,
    revolutions: float,
    *,
    drop: Collection[tuple[int, int]] = (),
    extra: Collection[tuple[int, int]] = (),
    start_tick: int = 1000,
) -> tuple[Edges, int]:
    """Edges of a wheel at constant speed, and the tick of the end.

    drop, extra: (revolution, tooth) of a tooth left out, of a tooth with a short pulse in the middle of its pitch.
    """
    turn = 60 / rpm / 16e-9 * wheel.turn_deg / 360
    ticks: list[int] = []
    levels: list[int] = []
    end = start_tick + round(revolutions * turn)
    for revolution in range(int(np.ceil(revolutions))):
        for tooth, (angle, step) in enumerate(zip(wheel.angles_deg, wheel.steps_deg, strict=True), 1):
            at = start_tick + round((revolution + angle / wheel.turn_deg) * turn)
            pitch = turn * float(min(step, wheel.steps_deg.min())) / wheel.turn_deg
            if (revolution, tooth) not in drop:
                ticks += [at, at + round(pitch * 0.4)]
                levels += [1, 0]
            if (revolution, tooth) in extra:
                ticks += [at + round(pitch * 0.6), at + round(pitch * 0.65)]
                levels += [1, 0]
    keep = np.array(ticks) < end
    return Edges(np.array(ticks, np.int64)[keep], np.array(levels, np.uint8)[keep]), end


def held(until_tick: int, blind: Sequence[Blind] = (), **channels: Edges) -> Held:
    return Held(CLOCK, channels, until_tick, tuple(blind), {"kind": "test"})


def cut(recording: Held, at: Sequence[int]) -> Iterator[Batch]:
    """The recording in batches that end at these ticks. A blind stretch comes with the batch in which it ends."""
    bounds = [-1, *sorted(tick for tick in at if 0 < tick < recording.until_tick), recording.until_tick]
    for begin, end in pairwise(bounds):
        edges = {}
        for name, whole in recording.edges.items():
            part = slice(*np.searchsorted(whole.ticks, (begin if begin > 0 else -(2**62), end)))
            edges[name] = Edges(whole.ticks[part], whole.levels[part])
        blind = tuple(b for b in recording.blind if begin < b.end_tick <= end)
        yield Batch(end, edges, blind)
