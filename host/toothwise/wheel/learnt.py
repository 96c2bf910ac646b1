"""A wheel as it was learnt from a known-good recording: each tooth's error against its pattern, and how sure that is.

Learning itself is in `checks/wheel_error`; this is what is kept of it, in the book and on a job card.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from toothwise.errors import BookTrouble
from toothwise.records import finite_or_none


@dataclass(frozen=True, slots=True)
class LearntWheel:
    """wheel: name of the pattern. error_deg, uncertainty_deg: one a tooth, tooth 1 first; positive is late, the mean
    of all is 0, uncertainty is one standard deviation. runout_deg: once and twice a turn, not part of the errors; None
    where it was not measured. revolutions: how many it was learnt from. origin: which recording, in words."""

    wheel: str
    error_deg: tuple[float, ...]
    uncertainty_deg: tuple[float, ...]
    runout_deg: tuple[float | None, float | None] = (None, None)
    revolutions: int = 0
    origin: str = ""

    def as_dict(self) -> dict[str, Any]:
        """For JSON; `from_dict` reads it back."""
        return asdict(self)

    @property
    def largest(self) -> tuple[int, float]:
        """The tooth that is farthest from its place, numbered from 1, and by how much."""
        at = max(range(len(self.error_deg)), key=lambda i: abs(self.error_deg[i]))
        return at + 1, self.error_deg[at]


def from_dict(name: str, body: Mapping[str, Any]) -> LearntWheel:
    """What the book keeps under a name. Raises BookTrouble where it is no learnt wheel."""
    try:
        runout = body["runout_deg"]
        learnt = LearntWheel(
            str(body["wheel"]),
            tuple(float(e) for e in body["error_deg"]),
            tuple(float(u) for u in body["uncertainty_deg"]),
            (finite_or_none(runout[0]), finite_or_none(runout[1])),
            int(body["revolutions"]),
            str(body["origin"]),
        )
    except (KeyError, TypeError, ValueError, IndexError):
        learnt = None
    sound = learnt is not None and 0 < len(learnt.error_deg) == len(learnt.uncertainty_deg)
    if learnt is None or not sound or not all(map(math.isfinite, (*learnt.error_deg, *learnt.uncertainty_deg))):
        raise BookTrouble(
            f"what the book keeps as the wheel {name!r} cannot be read",
            cause="it was written by another version, or damaged",
            step="learn it again: toothwise wheel learn",
        )
    return learnt
