"""Exact binomial bound and exact comparison of two Poisson rates; plain sums, no tables."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

_STEPS = 200
_AS_LIKELY = 1.0 + 1e-7
"""Outcomes count as no more likely than the one seen up to this factor, as rounding may tell equal ones apart."""


def _log_pmf(n: int, p: float) -> NDArray[np.float64]:
    """Logarithm of the binomial probability of 0 … n, for 0 < p < 1."""
    k = np.arange(n + 1)
    logs = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, n + 1, dtype=np.float64)))])
    return np.asarray(logs[n] - logs[k] - logs[n - k] + k * math.log(p) + (n - k) * math.log1p(-p))


def upper_bound(k: int, n: int, confidence: float = 0.95) -> float:
    """One-sided upper bound on a chance of which k of n trials came true (Clopper and Pearson).

    The largest p for which at most k of n is still as likely as 1 - confidence; 1.0 from k = n on, and for n = 0.
    """
    if k >= n:
        return 1.0
    if k == 0:
        return -math.expm1(math.log(1 - confidence) / n)
    j = np.arange(k + 1)
    ways = np.concatenate([[0.0], np.cumsum(np.log((n - j[:-1]) / j[1:]))])  # logarithms
    low, high = k / n, 1.0
    for _ in range(_STEPS):
        p = (low + high) / 2
        if p in (low, high):
            break
        at_most = float(np.exp(ways + j * math.log(p) + (n - j) * math.log1p(-p)).sum())
        low, high = (p, high) if at_most > 1 - confidence else (low, p)
    return high


def binomial_p(k: int, n: int, p: float) -> float:
    """Two-sided exact p-value of k of n at chance p: all outcomes no more likely than the one seen."""
    if n == 0:
        return 1.0
    if p in (0.0, 1.0):
        return float(k == n * p)
    chances = np.exp(_log_pmf(n, p))
    return min(1.0, float(chances[chances <= chances[k] * _AS_LIKELY].sum()))


def poisson_p(first: int, first_s: float, second: int, second_s: float) -> float:
    """Two-sided exact p-value that two counts come from one rate, each over its own time.

    Given the sum, the first count is binomial with the first's share of the time (Przyborowski and Wilenski 1940).
    """
    whole = first_s + second_s
    if whole <= 0:
        return 1.0
    return binomial_p(first, first + second, first_s / whole)
