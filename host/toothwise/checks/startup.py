"""Start-up: what came before the first tooth 1, and how fast the starter turned."""

from __future__ import annotations

import numpy as np

from toothwise.edges.signal import Clock
from toothwise.records import Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

FIRST_TURNS = 2


class Startup:
    """Feed one channel's teeth.

    startup_teeth: teeth seen before the first tooth 1. startup_s: time from the first tooth to it.
    startup_rpm: mean speed over the first two turns, with the spread of speed within them.
    """

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self._wheel = wheel
        self._tick_s = clock.tick_ns * 1e-9
        self._before = 0
        self._first: int | None = None
        self._synced: int | None = None
        self._ticks: list[int] = []

    def add(self, teeth: Teeth) -> None:
        if len(self._ticks) > FIRST_TURNS * self._wheel.teeth or not len(teeth):
            return
        if self._first is None:
            self._first = int(teeth.ticks[0])
        known = np.flatnonzero(teeth.revolution >= 0)
        if self._synced is None:
            self._before += int(known[0]) if len(known) else len(teeth)
            if not len(known):
                return
            self._synced = int(teeth.ticks[known[0]])
        room = FIRST_TURNS * self._wheel.teeth + 1 - len(self._ticks)
        stretch = teeth.turning[known] == teeth.turning[known[0]] if len(known) else np.empty(0, bool)
        self._ticks += teeth.ticks[known][stretch][:room].tolist()

    def measures(self) -> list[Measure]:
        if self._first is None or self._synced is None:
            return []
        waited = (self._synced - self._first) * self._tick_s
        out = [
            Measure("startup_teeth", float(self._before), "teeth", 0.0),
            Measure("startup_s", waited, "s", self._tick_s * np.sqrt(2 / 12)),
        ]
        n = self._wheel.teeth
        if len(self._ticks) > FIRST_TURNS * n:
            t = np.array(self._ticks, np.float64) * self._tick_s
            turn = (t[n:] - t[:-n]) / (self._wheel.turn_deg / 360.0)
            out.append(
                Measure("startup_rpm", float(60 / turn.mean()), "rpm", float(60 / turn.mean() ** 2 * turn.std()))
            )
        return out
