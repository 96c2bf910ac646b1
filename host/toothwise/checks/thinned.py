"""A sample of a stream that stays small: full, it keeps every second value, and from then on takes every second."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

KEPT = 8192


class Thinned:
    """Rows of `width` numbers, evenly spread over the stream; between `KEPT` and twice that at most.

    count: how many went by.
    """

    def __init__(self, width: int = 1) -> None:
        self.count = 0
        self._every = 1
        self._parts: list[Floats] = []
        self._kept = 0
        self._width = width

    def add(self, rows: Floats) -> None:
        """rows: (n,) or (n, width)."""
        rows = rows.reshape(-1, self._width)
        first = -self.count % self._every
        self.count += len(rows)
        taken = rows[first :: self._every]
        if not len(taken):
            return
        self._parts.append(taken.copy())  # a view would keep all rows it was taken from
        self._kept += len(taken)
        while self._kept > 2 * KEPT:
            whole = np.concatenate(self._parts)[::2]
            self._parts, self._kept, self._every = [whole], len(whole), 2 * self._every

    def rows(self) -> Floats:
        """(n, width); (n,) for a width of 1."""
        whole = np.concatenate(self._parts) if self._parts else np.empty((0, self._width))
        return whole[:, 0] if self._width == 1 else whole


def spread_of(values: Floats) -> float:
    """Standard deviation of the bulk: 1.4826 times the median distance from the median (that of a normal
    distribution [D])."""
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if len(values) else float("nan")
