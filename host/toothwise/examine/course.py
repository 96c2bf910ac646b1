"""How a whole recording went, small enough to keep: each tooth revolution by revolution, and the speed over time.

A cell is BLIND where in one of its revolutions the tooth was neither seen nor found missing: rig or cable could not
vouch, the wheel stood, or the count was not kept.

However long the recording, it is told in at most MOST_ROWS rows and MOST_POINTS points: when more come, two become
one and stand for twice as many revolutions. Which revolutions share a row depends on their number alone, never on
how the stream was cut.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Clock
from toothwise.records import BLIND, EXTRA, MISSING, SEEN, Event
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

MOST_ROWS = 240
MOST_POINTS = 480
_FIRST = -1
"""The first row begins with the revolution before the first tooth 1."""


class Course:
    """Fed with the teeth and events of the crank in the order they were decided, and with its turns."""

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self._clock = clock
        self._teeth = wheel.teeth
        self._a_row = 1
        self._seen, self._missing, self._extra = (np.zeros((MOST_ROWS, wheel.teeth), np.int64) for _ in range(3))
        self._first_place: int | None = None
        self._last_place = 0
        self._a_point = 1
        self._span = np.zeros((MOST_POINTS, 2), np.int64)  # from tick, until tick
        self._turned = np.zeros((MOST_POINTS, 2), np.int64)  # turns and the ticks they took; 0: not used yet
        self._range = np.tile([np.inf, 0.0], (MOST_POINTS, 1))
        self._degrees_a_turn = wheel.turn_deg

    def feed(self, teeth: Teeth) -> None:
        """Teeth, with their events."""
        if len(teeth):
            place = teeth.revolution * self._teeth + teeth.tooth - 1
            self._count(self._seen, place)
            if self._first_place is None:
                self._first_place = int(place[0])
            self._last_place = max(self._last_place, int(place[-1]))
        for event in teeth.events:
            self._note(event)

    def _note(self, event: Event) -> None:
        if event.kind not in ("missing", "extra") or event.revolution is None or event.tooth is None:
            return
        begin = event.revolution * self._teeth + event.tooth - 1
        if event.kind == "missing":
            self._count(self._missing, np.arange(begin, begin + event.count))
        else:
            self._count(self._extra, np.array([begin]))

    def _count(self, table: NDArray[np.int64], place: NDArray[np.int64]) -> None:
        revolution, tooth = np.divmod(place, self._teeth)
        while (int(revolution.max()) - _FIRST) // self._a_row >= MOST_ROWS:
            self._a_row *= 2
            for each in (self._seen, self._missing, self._extra):
                _halve(each, each[::2] + each[1::2], 0)
        np.add.at(table, ((revolution - _FIRST) // self._a_row, tooth), 1)

    def turns(
        self,
        revolution: NDArray[np.int64],
        begin: NDArray[np.int64],
        end: NDArray[np.int64],
        count: NDArray[np.int64],
        rpm: NDArray[np.float64],
    ) -> None:
        """Whole turns, tooth 1 to tooth 1: the first's revolution, ticks, how many turns, their speed. All (n,)."""
        while (int(revolution.max()) - _FIRST) // self._a_point >= MOST_POINTS:
            self._a_point *= 2
            low, high = self._span[::2], self._span[1::2]
            begins = np.where(self._turned[::2, 0] > 0, low[:, 0], high[:, 0])
            ends = np.where(self._turned[1::2, 0] > 0, high[:, 1], low[:, 1])
            _halve(self._span, np.stack([begins, ends], axis=1), 0)
            _halve(self._turned, self._turned[::2] + self._turned[1::2], 0)
            least = np.minimum(self._range[::2, 0], self._range[1::2, 0])
            greatest = np.maximum(self._range[::2, 1], self._range[1::2, 1])
            _halve(self._range, np.stack([least, greatest], axis=1), [np.inf, 0.0])
        at = (revolution - _FIRST) // self._a_point
        fresh = self._turned[at, 0] == 0
        np.minimum.at(self._range[:, 0], at, rpm)
        np.maximum.at(self._range[:, 1], at, rpm)
        np.add.at(self._turned, at, np.stack([count, end - begin], axis=1))
        self._span[at[fresh][::-1], 0] = begin[fresh][::-1]
        self._span[at, 1] = end

    def as_json(self) -> dict[str, Any]:
        """{"first_revolution", "revolutions_a_row", "rows": [one hexadecimal digit of the bits a tooth, …],
        "speed": [[from_s, to_s, min, mean, max in rpm], …]}"""
        cells = self._cells()
        used = np.flatnonzero(cells.any(axis=1))
        rows = ["".join("0123456789abcdef"[bits] for bits in row) for row in cells[: used[-1] + 1 if used.size else 0]]
        return {
            "first_revolution": _FIRST,
            "revolutions_a_row": self._a_row,
            "rows": rows,
            "speed": self._speed(),
        }

    def _cells(self) -> NDArray[np.int64]:
        if self._first_place is None:
            return np.zeros((0, self._teeth), np.int64)
        first = _FIRST + np.arange(MOST_ROWS)[:, None] * self._a_row
        tooth = np.arange(self._teeth)
        # How often each tooth was due between the first tooth and the last: revolutions up to one, less those before.
        low = np.maximum(first, -((tooth - self._first_place) // self._teeth))
        high = np.minimum(first + self._a_row - 1, (self._last_place - tooth) // self._teeth)
        due = np.maximum(high - low + 1, 0)
        cells = SEEN * (self._seen > 0) + BLIND * (self._seen + self._missing < due)
        whole: NDArray[np.int64] = cells + EXTRA * (self._extra > 0) + MISSING * (self._missing > 0)
        return whole

    def _speed(self) -> list[list[float]]:
        points = []
        degrees_a_tick = 1e9 / (6.0 * self._clock.tick_ns)
        for at in np.flatnonzero(self._turned[:, 0]).tolist():
            turns, ticks = self._turned[at].tolist()
            mean = degrees_a_tick * self._degrees_a_turn * turns / ticks
            times = [round(self._clock.seconds(int(tick)), 6) for tick in self._span[at]]
            least, greatest = self._range[at].tolist()
            points.append([*times, *(round(value, 3) for value in (least, mean, greatest))])
        return points


def _halve(table: NDArray[Any], folded: NDArray[Any], empty: Any) -> None:
    """The folded rows in the table's first half, nothing in the second."""
    half = len(table) // 2
    table[:half] = folded
    table[half:] = empty
