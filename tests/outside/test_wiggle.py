"""The wiggle test's figures against scipy, a handbook's thermistor table, and the grades of the contact tests."""

from __future__ import annotations

import math

import pytest
from scipy import stats
from toothwise.wiggle import exact, rules
from toothwise.wiggle.ntc import Thermistor


@pytest.mark.parametrize(("k", "n"), [(0, 1), (0, 5), (0, 59), (1, 5), (3, 5), (4, 5), (2, 100), (37, 400), (5, 5)])
def test_upper_bound_is_clopper_and_pearson_one_sided(k: int, n: int) -> None:
    expected = 1.0 if k == n else stats.beta.ppf(0.95, k + 1, n - k)
    assert exact.upper_bound(k, n) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("n", "bound"), [(30, 0.095), (60, 0.0487), (100, 0.0295), (300, 0.00994)])
def test_upper_bound_of_none_is_that_of_the_tables(n: int, bound: float) -> None:
    """No failures in n, 95 %: 1 - 0.05^(1/n) [D]."""
    assert exact.upper_bound(0, n) == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-12)
    assert exact.upper_bound(0, n) == pytest.approx(bound, rel=5e-3)


@pytest.mark.parametrize(
    ("a", "a_s", "b", "b_s"),
    [(12, 60.0, 0, 60.0), (5, 30.0, 2, 90.0), (0, 1.0, 0, 2.0), (300, 100.0, 360, 111.0), (7, 1.0, 7, 1.0)],
)
def test_two_poisson_rates_are_compared_as_a_binomial(a: int, a_s: float, b: int, b_s: float) -> None:
    """Given their sum, the first count is binomial (Przyborowski and Wilenski 1940)."""
    expected = stats.binomtest(a, a + b, a_s / (a_s + b_s)).pvalue if a + b else 1.0
    assert exact.poisson_p(a, a_s, b, b_s) == pytest.approx(expected, rel=1e-6)


def test_thermistor_by_the_definition_of_beta() -> None:
    """B = ln(R1/R2) / (1/T1 - 1/T2): the two-point definition, 25/85 °C, of a 10 k thermistor of 3977 K (IEC 60539-1,
    from memory). R at 85 °C and back again."""
    sensor = Thermistor(r25_ohm=10_000.0, beta_k=3977.0)
    r85 = sensor.ohm(85.0)
    beta = math.log(10_000.0 / r85) / (1 / 298.15 - 1 / 358.15)
    assert beta == pytest.approx(3977.0, rel=1e-12)
    assert r85 == pytest.approx(1070.0, rel=0.01)  # makers' tables of such a part: 1.07 k (from memory)


def test_classes_are_those_of_the_contact_disturbance_tests() -> None:
    """1 µs, 10 µs, 100 µs, 1 ms, 10 ms: grades of disturbance as used with IEC 60512-2-5 (test 2e) and EIA-364-46."""
    assert [seconds for _, seconds in rules.CLASSES] == [1e-6, 1e-5, 1e-4, 1e-3, 1e-2]
    for name, seconds in rules.CLASSES:
        assert rules.class_of(seconds) == name
        assert rules.class_of(seconds * 0.99) != name
