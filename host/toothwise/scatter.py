"""How widely numbers scatter, whatever a few that are far out do: from the median, not the mean square."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MAD = 1.4826
"""Standard deviations in a median absolute deviation, for normal errors: 1/Φ⁻¹(3/4) [D]."""


def sigma(off: Floats, axis: int | None = None) -> Any:
    """Standard deviation of the bulk of deviations from a place that is known; along an axis, or over all."""
    return MAD * np.median(np.abs(off), axis=axis)


def spread_of(values: Floats, axis: int | None = None) -> Any:
    """The same about the values' own median. Not a number for none."""
    return sigma(values - np.median(values, axis=axis), axis) if len(values) else float("nan")
