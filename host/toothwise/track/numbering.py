"""When faults come so regularly that it may be the numbers of the teeth that are wrong."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toothwise.track.geometry import Geometry

FIRST = 4
"""Faults after which the numbers are asked about: two turns' worth."""

MOST = 1 << 12
"""Faults remembered."""

TURN = 1.25
"""Turns within which what comes once a turn must have come."""


class FaultyTurns:
    """Faults that come twice a turn, and when to ask whether it is the numbering that is wrong.

    Teeth numbered wrongly show at least two in each turn: at the gap, and where the gap is thought to be; a tooth that
    is gone from the wheel shows one. Asked after the fourth fault, and if the numbers were right, after the eighth,
    sixteenth, ... of a row without a faultless turn; never where every gap came where the numbers want it, for any
    other numbers would have to call one of them a fault.
    """

    def __init__(self, geometry: Geometry) -> None:
        self._teeth = geometry.teeth
        self._counts: list[int] = []
        self._ask_at = FIRST
        self._marks = dict.fromkeys(geometry.marks)  # by tooth: the count at which it last came without a fault

    def begin(self) -> None:
        """A stretch begins; its counts have nothing to do with those before."""
        self._counts, self._ask_at = [], FIRST
        self._marks = dict.fromkeys(self._marks)

    def pass_over(self, first: int, last: int) -> None:
        """Teeth from one count to another came without a fault."""
        for tooth in self._marks:
            at = last - 1 - (last - 1 - tooth) % self._teeth
            if at >= first:
                self._marks[tooth] = at

    def note(self, edges: NDArray[np.int64], counts: NDArray[np.int64]) -> None:
        """Take in decided teeth: the numbers of their edges, and their counts."""
        many = (np.diff(counts) != 1).astype(int) + (np.diff(edges) != 1)  # a tooth missing, an edge too many, or both
        for count in counts[:-1][many == 0].tolist():
            if count % self._teeth in self._marks:
                self._marks[count % self._teeth] = count
        for count in np.repeat(counts[:-1], many).tolist():
            if self._counts and count - self._counts[-1] > TURN * self._teeth:
                self._counts, self._ask_at = [], FIRST
            self._counts.append(count)

    def due(self) -> bool:
        many = self._ask_at
        if len(self._counts) < many or many > MOST:
            return False
        latest = self._counts[-1]
        in_place = (at is not None and latest - at < TURN * self._teeth for at in self._marks.values())
        if self._marks and all(in_place):
            return False
        return latest - self._counts[-many] <= 0.6 * self._teeth * many

    def asked(self, really: bool) -> None:
        """Whether it was asked; what was known of the gaps went by the old numbers."""
        if really:
            self._ask_at *= 2
            del self._counts[: -2 * self._ask_at]
            self._marks = dict.fromkeys(self._marks)
