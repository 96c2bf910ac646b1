"""Capability: how the spread of a lot's measure sits between its limits, with what so few sensors can say of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.bench.special import chi2_quantile, normal_cdf, normal_quantile

FEWEST = 8
"""Fewer say nothing of a spread worth printing: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Capability:
    """cp: None unless both limits are there. Bounds are one-sided lower ones at `confidence`.

    expected_out: share of sensors beyond the limits, were they normally distributed.
    """

    n: int
    mean: float
    spread: float
    cp: float | None
    cp_low: float | None
    cpk: float | None
    cpk_low: float | None
    expected_out: float | None
    confidence: float


def capability(
    values: NDArray[np.float64], low: float | None, high: float | None, confidence: float = 0.95
) -> Capability | None:
    """Of one measure over a lot; None for fewer than FEWEST values or for values that are all the same."""
    n = len(values)
    spread = float(np.std(values, ddof=1)) if n > 1 else 0.0
    if n < FEWEST or spread <= 0.0:
        return None
    mean = float(np.mean(values))
    sides = [side for side, there in ((_of(high, mean), high), (_of(mean, low), low)) if there is not None]
    cpk = min(sides) / (3.0 * spread) if sides else None
    cp = (high - low) / (6.0 * spread) if low is not None and high is not None else None
    return Capability(
        n,
        mean,
        spread,
        cp,
        None if cp is None else cp_bound(cp, n, confidence),
        cpk,
        None if cpk is None else cpk_bound(cpk, n, confidence),
        sum(normal_cdf(-side / spread) for side in sides) if sides else None,
        confidence,
    )


def _of(upper: float | None, lower: float | None) -> float:
    return math.inf if upper is None or lower is None else upper - lower


def cpk_bound(cpk: float, n: int, confidence: float = 0.95) -> float:
    """Lower bound of Cpk: Bissell, "How reliable is your capability index?", Applied Statistics 39 (1990) 331-340."""
    return cpk - normal_quantile(confidence) * math.sqrt(1.0 / (9.0 * n) + cpk**2 / (2.0 * (n - 1)))


def cp_bound(cp: float, n: int, confidence: float = 0.95) -> float:
    """Lower bound of Cp: (n-1)s²/sigma² is chi-squared [D, normal distribution]."""
    return cp * math.sqrt(chi2_quantile(1.0 - confidence, n - 1) / (n - 1))
