"""The standard deviation of the bulk against scipy's median absolute deviation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation
from toothwise.scatter import sigma, spread_of


def test_it_is_the_median_absolute_deviation_of_normal_errors() -> None:
    values = np.random.default_rng(3).normal(7.0, 2.0, (501, 3))
    values[:50] += 1000.0
    for axis in (None, 0):
        expected = median_abs_deviation(values, axis=axis, scale="normal")
        assert spread_of(values, axis) == pytest.approx(expected, rel=1e-5)
        assert sigma(values - np.median(values, axis=axis), axis) == pytest.approx(expected, rel=1e-5)
    assert np.isnan(spread_of(np.empty(0)))
