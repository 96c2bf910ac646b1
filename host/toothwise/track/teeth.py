"""What the tracker hands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.records import Event


@dataclass(frozen=True, slots=True, eq=False)
class Teeth:
    """Teeth that were seen, in order of time, and the events decided together with them.

    ticks: int64 (n,), the timing edge of each.
    back_ticks: int64 (n,), the first opposite edge after it, or -1 where none came before the next tooth.
    tooth: int32 (n,), 1 to `Wheel.teeth`.
    revolution: int64 (n,), from 0 at the first tracked tooth 1; -1 before it.
    turning: int32 (n,), counts stretches of unbroken rotation; a new number after a stop or a blind stretch
        across which the count could not be kept.
    events: missing, extra, silent, stopped, contact, in order of time; none earlier than what was handed on before.
    """

    ticks: NDArray[np.int64]
    back_ticks: NDArray[np.int64]
    tooth: NDArray[np.int32]
    revolution: NDArray[np.int64]
    turning: NDArray[np.int32]
    events: tuple[Event, ...] = ()

    def __len__(self) -> int:
        return len(self.ticks)
