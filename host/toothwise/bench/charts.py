"""Control charts in pairs, individuals with moving ranges or means with standard deviations; and the run rules.

The rules are the eight tests of ISO 8258:1991 (withdrawn; ISO 7870-2 followed), the same as Nelson's (L. S. Nelson,
"The Shewhart control chart - tests for special causes", J. Quality Technology 16, 1984, 237-239; their list from
memory, checked against a glossary of a statistics program). Limits stand at three standard deviations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STANDARD = "ISO 8258:1991"
RULES = {
    1: "one point beyond three standard deviations",
    2: "nine points in a row on one side of the centre",
    3: "six points in a row, all rising or all falling",
    4: "fourteen points in a row, up and down by turns",
    5: "two of three points beyond two standard deviations on one side",
    6: "four of five points beyond one standard deviation on one side",
    7: "fifteen points in a row within one standard deviation",
    8: "eight points in a row beyond one standard deviation, on either side",
}


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """points in the order they were made, with centre and control limits; each of `size` values. signals: (place of the
    last point, rule). spread: the chart beneath, of moving ranges or of the groups' standard deviations; only the first
    rule is asked of it."""

    size: int
    points: Floats
    centre: float
    low: float
    high: float
    signals: tuple[tuple[int, int], ...]
    spread: Chart | None = None


def c4(n: int) -> float:
    """Mean of a sample's standard deviation over the true one, n normal values: sqrt(2/(n-1)) G(n/2)/G((n-1)/2)."""
    return math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))


def d2(n: int) -> float:
    """Mean range of n normal values of spread 1: the integral of 1 - F^n - (1-F)^n (Tippett 1925), by Simpson."""
    z = np.linspace(-9.0, 9.0, 3601)
    below = np.array([0.5 * math.erfc(-v / math.sqrt(2.0)) for v in z.tolist()])
    inside = 1.0 - below**n - (1.0 - below) ** n
    weights = np.full(len(z), 2.0)
    weights[1::2] = 4.0
    weights[[0, -1]] = 1.0
    return float((weights * inside).sum() * (z[1] - z[0]) / 3.0)


D3_OF_2 = math.sqrt(2.0 - 4.0 / math.pi)
"""Standard deviation of the range of two normal values of spread 1, which is sqrt(2) |z|."""


def individuals(values: Floats) -> Chart:
    """One value at a time; the spread from the mean moving range of neighbours over d2(2)."""
    points = np.asarray(values, np.float64)
    ranges = np.abs(np.diff(points))
    mean_range = float(np.mean(ranges)) if len(ranges) else 0.0
    sigma = mean_range / d2(2)
    return _chart(1, points, float(np.mean(points)), sigma, _spread(2, ranges, mean_range, sigma * D3_OF_2))


def means(groups: Floats) -> Chart:
    """Means of groups of one size, (groups, size); the spread from the mean standard deviation over c4."""
    size = groups.shape[1]
    deviations = np.std(groups, axis=1, ddof=1)
    mean_deviation = float(np.mean(deviations))
    sigma = mean_deviation / c4(size)
    points = groups.mean(axis=1)
    spread = _spread(size, deviations, mean_deviation, sigma * math.sqrt(1.0 - c4(size) ** 2))
    return _chart(size, points, float(np.mean(points)), sigma / math.sqrt(size), spread)


def _chart(size: int, points: Floats, centre: float, sigma: float, spread: Chart) -> Chart:
    scores = (points - centre) / sigma if sigma > 0.0 else np.zeros(len(points))
    return Chart(size, points, centre, centre - 3.0 * sigma, centre + 3.0 * sigma, tuple(signals(scores)), spread)


def _spread(size: int, points: Floats, centre: float, sigma: float) -> Chart:
    """Limits three standard deviations of the spread itself away, never below none at all."""
    low, high = max(centre - 3.0 * sigma, 0.0), centre + 3.0 * sigma
    beyond = ((points > high) | (points < low)) & (sigma > 0.0)
    return Chart(size, points, centre, low, high, tuple((int(at), 1) for at in np.flatnonzero(beyond)))


def signals(scores: Floats) -> list[tuple[int, int]]:
    """(place of the last point, rule) of every time a rule is met. scores: distances from the centre in standard
    deviations of the points."""
    z = np.asarray(scores, np.float64)
    steps = np.sign(np.diff(z, prepend=z[:1]))
    turns = np.concatenate([[False], steps[1:] * steps[:-1] < 0]) if len(z) else np.empty(0, bool)
    found = {
        1: np.abs(z) > 3.0,
        2: _run(z > 0, 9) | _run(z < 0, 9),
        3: _run(steps > 0, 5) | _run(steps < 0, 5),
        4: _run(turns, 12),
        5: _of((z > 2), 2, 3) | _of((z < -2), 2, 3),
        6: _of((z > 1), 4, 5) | _of((z < -1), 4, 5),
        7: _run(np.abs(z) < 1, 15),
        8: _run(np.abs(z) > 1, 8),
    }
    return sorted((int(at), rule) for rule, met in found.items() for at in np.flatnonzero(met))


def _of(met: NDArray[np.bool_], least: int, window: int) -> NDArray[np.bool_]:
    """At the last of `window` points, of which `least` meet it; a shorter window at the start counts too."""
    total = np.concatenate([[0], np.cumsum(met)])
    ends = np.arange(1, len(met) + 1)
    count = total[ends] - total[np.maximum(ends - window, 0)]
    return np.asarray((count >= least) & met)


def _run(met: NDArray[np.bool_], length: int) -> NDArray[np.bool_]:
    return _of(met, length, length)
