"""A stream of teeth joined to the last few before it, so that a check can look at stretches across any cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.track.teeth import Teeth

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Teeth as in `Teeth`, all int64."""

    ticks: Ints
    back_ticks: Ints
    tooth: Ints
    revolution: Ints
    turning: Ints

    def __len__(self) -> int:
        return len(self.ticks)


class Tail:
    """Keeps the last `keep` teeth. A stretch of keep + 1 teeth begins at each index below len - keep, once."""

    def __init__(self, keep: int) -> None:
        self.keep = keep
        empty = np.empty(0, np.int64)
        self._held: tuple[Ints, ...] = (empty,) * 5

    def then(self, teeth: Teeth) -> Stretch:
        """What is held, and these after it."""
        new = (teeth.ticks, teeth.back_ticks, teeth.tooth, teeth.revolution, teeth.turning)
        whole = tuple(np.concatenate([h, np.asarray(n, np.int64)]) for h, n in zip(self._held, new, strict=True))
        self._held = tuple(part[-self.keep :] for part in whole)
        return Stretch(*whole)
