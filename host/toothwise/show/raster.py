"""The revolution raster: a row a revolution, a column a tooth.

A bad tooth on the wheel is a vertical stripe, a bad contact a scatter or a broken row. When the wheel turns
too fast for the eye, a row stands for several revolutions and a cell for the worst of them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from toothwise.records import BLIND, EXTRA, MISSING, SEEN, Event
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

ROWS_A_SECOND = 8.0
"""More new rows a second than this cannot be followed by eye."""
_SPANS = (1, 2, 5, 10, 20, 50, 100, 200)


class Row:
    """One row: revolutions `first` to `first + span - 1`."""

    __slots__ = ("cells", "first", "number", "span", "version")

    def __init__(self, number: int, first: int, span: int, columns: int) -> None:
        self.number = number
        self.first = first
        self.span = span
        self.cells: NDArray[np.uint8] = np.zeros(columns, np.uint8)
        self.version = 0
        """Rises whenever a cell changes."""

    def mark(self, columns: NDArray[np.intp] | int, flag: int) -> None:
        self.cells[columns] |= flag
        self.version += 1


class Raster:
    """The last `depth` rows. Fed with the teeth and events of one channel in the order they were decided."""

    def __init__(self, wheel: Wheel, depth: int = 128) -> None:
        self.wheel = wheel
        self.columns = wheel.slots if wheel.gaps else wheel.teeth
        self.rows: deque[Row] = deque(maxlen=depth)
        self.span = 1
        """Revolutions in a row that is begun now."""
        angles = np.array(wheel.angles_deg)
        slots = np.rint(angles / wheel.pitch_deg).astype(np.intp)
        self.column_of: NDArray[np.intp] = slots if wheel.gaps else np.arange(wheel.teeth)
        self._next_number = 0
        self._last: int | None = None  # the newest tooth, counted through all revolutions
        self._blind: list[Event] = []  # waiting for the first tooth after them

    def pace(self, speed_rpm: float | None) -> None:
        """Choose how many revolutions a row begun from now on stands for. Rows that are there stay as they
        are."""
        if speed_rpm is None:
            return
        turns = speed_rpm / 60.0 * 360.0 / self.wheel.turn_deg
        # Fewer revolutions a row only when clearly slower, so that it does not flutter at a border.
        slower = next((s for s in _SPANS if turns * 1.25 / s <= ROWS_A_SECOND), _SPANS[-1])
        faster = next((s for s in _SPANS if turns / s <= ROWS_A_SECOND), _SPANS[-1])
        self.span = min(max(self.span, faster), slower)

    def follow(self, crank: str, latest: Sequence[tuple[str, Teeth]], events: Iterable[Event]) -> None:
        """What an examination's last batch decided, channel by channel, and its events; `crank` is the one shown."""
        self.add(None, [event for event in events if event.kind == "blind" and event.channel in ("all", crank)])
        for channel, teeth in latest:
            if channel == crank:
                self.add(teeth, teeth.events)

    def add(self, teeth: Teeth | None, events: Iterable[Event]) -> None:
        """Teeth and events of one channel; `blind` events of the whole rig count for it too."""
        if teeth is not None and len(teeth):
            self._add_seen(teeth)
        for event in events:
            if event.kind == "blind":
                self._blind.append(event)
            elif event.revolution is not None and event.tooth is not None:
                if event.kind == "missing":
                    self._mark_run(event.revolution * self.wheel.teeth + event.tooth - 1, event.count, MISSING)
                elif event.kind == "extra":
                    self._row(event.revolution).mark(int(self.column_of[event.tooth - 1]), EXTRA)

    def _add_seen(self, teeth: Teeth) -> None:
        place = teeth.revolution * self.wheel.teeth + teeth.tooth - 1
        self._mark_blind(teeth, place)
        revolutions, starts = np.unique(teeth.revolution, return_index=True)
        columns = self.column_of[teeth.tooth - 1]
        for revolution, start, end in zip(
            revolutions.tolist(), starts.tolist(), [*starts.tolist()[1:], len(columns)], strict=True
        ):
            self._row(revolution).mark(columns[start:end], SEEN)
        self._last = int(place[-1])

    def _mark_blind(self, teeth: Teeth, place: NDArray[np.int64]) -> None:
        waiting = []
        for event in self._blind:
            after = int(np.searchsorted(teeth.ticks, event.end_tick))
            if after == len(teeth):
                waiting.append(event)
                continue
            before = self._last if after == 0 else int(place[after - 1])
            if before is not None:
                self._mark_run(before + 1, int(place[after]) - before - 1, BLIND)
        self._blind = waiting

    def _mark_run(self, start: int, count: int, flag: int) -> None:
        teeth = self.wheel.teeth
        # A run longer than the whole raster shows its end only.
        end, reach = start + count, teeth * 200 * (self.rows.maxlen or 1)
        start = max(start, end - reach)
        while start < end:
            revolution, tooth = divmod(start, teeth)
            stop = min(tooth + end - start, teeth)
            self._row(revolution).mark(self.column_of[tooth:stop], flag)
            start += stop - tooth

    def _row(self, revolution: int) -> Row:
        if not self.rows:
            return self._begin(revolution, 1 if revolution < 0 else self.span)
        newest = self.rows[-1]
        end = newest.first + newest.span
        if revolution >= end + self.span * (self.rows.maxlen or 1):
            end = revolution  # so far ahead that every row there is would scroll away
        while revolution >= end:
            newest = self._begin(end, self.span)
            end += self.span
        for row in reversed(self.rows):
            if row.first <= revolution < row.first + row.span:
                return row
        return Row(-1, revolution, 1, self.columns)  # scrolled away: marked for nobody

    def _begin(self, first: int, span: int) -> Row:
        row = Row(self._next_number, first, span, self.columns)
        self._next_number += 1
        self.rows.append(row)
        return row
