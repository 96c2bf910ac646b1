"""A stream of teeth joined to the last few before it, so that a check can look at stretches across any cut."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from toothwise.track.teeth import Teeth

Ints = NDArray[np.int64]
ShortInts = NDArray[np.int32]


class Stretch:
    """Teeth as in `Teeth`, in two parts; a column is joined when somebody asks for it."""

    def __init__(self, before: Teeth, then: Teeth) -> None:
        self._parts = (before, then)

    def __len__(self) -> int:
        return sum(map(len, self._parts))

    @cached_property
    def ticks(self) -> Ints:
        return np.concatenate([part.ticks for part in self._parts])

    @cached_property
    def back_ticks(self) -> Ints:
        return np.concatenate([part.back_ticks for part in self._parts])

    @cached_property
    def tooth(self) -> ShortInts:
        return np.concatenate([part.tooth for part in self._parts])

    @cached_property
    def revolution(self) -> Ints:
        return np.concatenate([part.revolution for part in self._parts])

    @cached_property
    def turning(self) -> ShortInts:
        return np.concatenate([part.turning for part in self._parts])

    def last(self, most: int) -> Teeth:
        """The last so many, without what came before them."""
        before, then = self._parts
        more = max(len(before) + min(len(then) - most, 0), 0)
        return Teeth(
            np.concatenate([before.ticks[more:], then.ticks[-most:]]),
            np.concatenate([before.back_ticks[more:], then.back_ticks[-most:]]),
            np.concatenate([before.tooth[more:], then.tooth[-most:]]),
            np.concatenate([before.revolution[more:], then.revolution[-most:]]),
            np.concatenate([before.turning[more:], then.turning[-most:]]),
        )


class Tail:
    """Keeps the last `keep` teeth. A stretch of keep + 1 teeth begins at each index below len - keep, once."""

    def __init__(self, keep: int) -> None:
        self.keep = keep
        long, short = np.empty(0, np.int64), np.empty(0, np.int32)
        self._held = Teeth(long, long, short, long, short)

    def then(self, teeth: Teeth) -> Stretch:
        """What is held, and these after it."""
        whole = Stretch(self._held, teeth)
        self._held = whole.last(self.keep)
        return whole
