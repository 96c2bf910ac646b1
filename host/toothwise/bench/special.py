"""The few distribution functions that a bench needs, so that no statistics library has to be installed beside it.

Checked against scipy over wide ranges in tests/outside/test_bench_statistics.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from statistics import NormalDist

_NORMAL = NormalDist()
_MOST_TERMS = 500
_SMALL = 1e-300


def normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """Raises statistics.StatisticsError unless 0 < p < 1."""
    return _NORMAL.inv_cdf(p)


def beta_cdf(x: float, a: float, b: float) -> float:
    """The regularised incomplete beta function I_x(a, b), by its continued fraction (DLMF 8.17.22)."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - beta_cdf(1.0 - x, b, a)
    log_front = a * math.log(x) + b * math.log1p(-x) + math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    # Lentz's evaluation of the fraction.
    c, d = 1.0, 1.0 / _away(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, _MOST_TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        for term in (even, odd):
            d = 1.0 / _away(1.0 + term * d)
            c = _away(1.0 + term / c)
            step = c * d
            value *= step
        if abs(step - 1.0) < 1e-15:
            break
    return math.exp(log_front) * value / a


def _away(value: float) -> float:
    return value if abs(value) > _SMALL else _SMALL


def binomial_cdf(k: int, n: int, p: float) -> float:
    """At most k of n, each with probability p."""
    if k < 0:
        return 0.0
    return 1.0 if k >= n else beta_cdf(1.0 - p, n - k, k + 1.0)


def f_survival(f: float, d1: float, d2: float) -> float:
    """Probability of a larger F with d1 and d2 degrees of freedom."""
    return beta_cdf(d2 / (d2 + d1 * f), d2 / 2.0, d1 / 2.0)


@lru_cache(maxsize=1024)
def t_quantile(p: float, freedom: float) -> float:
    """Student's t. freedom above 0, infinite gives the normal's. Kept: each tooth of a wheel asks for the same one."""
    if math.isinf(freedom) or freedom > 1e6:
        return normal_quantile(p)
    if p < 0.5:
        return -t_quantile(1.0 - p, freedom)
    tail = solve(lambda x: beta_cdf(x, freedom / 2.0, 0.5) / 2.0 - (1.0 - p), 0.0, 1.0)
    return math.sqrt(freedom * (1.0 - tail) / tail) if tail > 0.0 else math.inf


def gamma_cdf(x: float, a: float) -> float:
    """The regularised lower incomplete gamma function P(a, x): its series (DLMF 8.11.4), or for large x its
    continued fraction (DLMF 8.9.2)."""
    if x <= 0.0:
        return 0.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1.0:
        term = total = 1.0 / a
        n = a
        while abs(term) > abs(total) * 1e-16:
            n += 1.0
            term *= x / n
            total += term
        return total * front
    b = x + 1.0 - a
    c, d = 1.0 / _SMALL, 1.0 / b
    value = d
    for i in range(1, 100 * _MOST_TERMS):
        term = -i * (i - a)
        b += 2.0
        d = 1.0 / _away(term * d + b)
        c = _away(b + term / c)
        step = c * d
        value *= step
        if abs(step - 1.0) < 1e-15:
            break
    return 1.0 - front * value


def chi2_quantile(p: float, freedom: float) -> float:
    high = freedom + 40.0 + 20.0 * math.sqrt(freedom)
    return solve(lambda x: gamma_cdf(x / 2.0, freedom / 2.0) - p, 0.0, high)


def solve(rises: Callable[[float], float], low: float, high: float) -> float:
    """Where a function that rises from low to high is 0, by halving."""
    for _ in range(200):
        middle = (low + high) / 2.0
        if middle in (low, high):
            break
        low, high = (middle, high) if rises(middle) < 0.0 else (low, middle)
    return (low + high) / 2.0
