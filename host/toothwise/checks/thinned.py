"""A sample of a stream that stays small: full, it lets half of what it has go, and from then on takes half as many.

Which ones, the multiples of the golden ratio say: whole turns left out, they fill a circle evenly, and so do those
below a half, a quarter and so on of it. The sample is as evenly spread, and in step with nothing: every second tooth of
a wheel with an even number of teeth would be the same ones every turn.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

KEPT = 8192
_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
"""The golden ratio's part behind the point, times 2**64 [D]."""


class Thinned:
    """Rows of `width` numbers, evenly spread over the stream; about `KEPT` to twice that at most.

    count: how many went by.
    """

    def __init__(self, width: int = 1) -> None:
        self.count = 0
        self._halvings = 0
        self._rows: list[Floats] = []
        self._numbers: list[Ints] = []
        self._kept = 0
        self._width = width

    def next(self, many: int) -> Ints:
        """The numbers of the next so many that go by."""
        self.count += many
        # Before they are worked out, not after: of a long batch most would be let go at once.
        while self.count >> self._halvings > 2 * KEPT:
            self._halve()
        return np.arange(self.count - many, self.count)

    def wants(self, numbers: Ints) -> NDArray[np.bool_]:
        """Which of these belong into the sample: no other need be worked out."""
        if not self._halvings:
            return np.ones(len(numbers), np.bool_)
        return np.asarray(numbers.astype(np.uint64) * _GOLDEN < np.uint64(1 << (64 - self._halvings)))

    def add(self, rows: Floats, numbers: Ints | None = None) -> None:
        """rows: (n,) or (n, width). numbers: (n,), what each is known by; the next ones where it is left out.

        Rows of the same number stay or go together.
        """
        rows = rows.reshape(-1, self._width)
        numbers = self.next(len(rows)) if numbers is None else numbers
        wanted = self.wants(numbers)
        if not wanted.any():
            return
        self._rows.append(rows[wanted])
        self._numbers.append(numbers[wanted])
        self._kept += len(self._rows[-1])
        while self._kept > 2 * KEPT:
            self._halve()

    def _halve(self) -> None:
        self._halvings += 1
        if self._rows:
            rows, numbers = np.concatenate(self._rows), np.concatenate(self._numbers)
            wanted = self.wants(numbers)
            self._rows, self._numbers, self._kept = [rows[wanted]], [numbers[wanted]], int(wanted.sum())

    def rows(self) -> Floats:
        """(n, width); (n,) for a width of 1."""
        whole = np.concatenate(self._rows) if self._rows else np.empty((0, self._width))
        return whole[:, 0] if self._width == 1 else whole
