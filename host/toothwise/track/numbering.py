"""When faults come so regularly that it may be the numbers of the teeth that are wrong."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FIRST = 4
"""Faults after which the numbers are asked about: two turns' worth."""

MOST = 1 << 12
"""Faults remembered."""


class FaultyTurns:
    """Faults that come twice a turn, and when to ask whether it is the numbering that is wrong.

    Teeth numbered wrongly show at least two in each turn: at the gap, and where the gap is thought to be; a tooth that
    is gone from the wheel shows one. Asked after the fourth fault, and if the numbers were right, after the eighth,
    sixteenth, ... of a row without a faultless turn.
    """

    def __init__(self, teeth: int) -> None:
        self._teeth = teeth
        self._counts: list[int] = []
        self._ask_at = FIRST

    def note(self, edges: NDArray[np.int64], counts: NDArray[np.int64]) -> None:
        """Take in decided teeth: the numbers of their edges, and their counts."""
        odd = np.flatnonzero((np.diff(counts) != 1) | (np.diff(edges) != 1))
        for count in counts[odd].tolist():
            if self._counts and count - self._counts[-1] > 1.25 * self._teeth:
                self._counts, self._ask_at = [], FIRST
            self._counts.append(count)

    def due(self) -> bool:
        many = self._ask_at
        if len(self._counts) < many or many > MOST:
            return False
        return self._counts[-1] - self._counts[-many] <= 0.6 * self._teeth * many

    def asked(self, really: bool) -> None:
        if really:
            self._ask_at *= 2
            del self._counts[: -2 * self._ask_at]
