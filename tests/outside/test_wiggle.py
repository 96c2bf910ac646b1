"""The wiggle test's figures against scipy, a handbook's thermistor table, and the grades of the contact tests."""

from __future__ import annotations

import math

import pytest
from scipy import stats
from toothwise.wiggle import exact, rules
from toothwise.wiggle.ntc import FULL, Thermistor


@pytest.mark.parametrize(
    ("k", "n"), [(0, 1), (0, 5), (0, 59), (1, 5), (3, 5), (4, 5), (2, 100), (37, 400), (3, 1_000_000), (5, 5)]
)
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
    r85 = 10_000.0 / math.exp(3977.0 * (1 / 298.15 - 1 / 358.15))
    assert r85 == pytest.approx(1070.0, rel=0.01)  # makers' tables of such a part: 1.07 k (from memory)
    raw = round(FULL * r85 / (r85 + 10_000.0))
    assert Thermistor(r25_ohm=10_000.0, beta_k=3977.0).celsius(raw) == pytest.approx(85.0, abs=0.01)


WORKED = {-25: 146676, -15: 78875, -5: 44424, 5: 26075, 15: 15881, 25: 10000, 35: 6488, 45: 4326, 55: 2956, 65: 2066,
          75: 1474, 85: 1072, 95: 793, 105: 596, 115: 454, 125: 351}  # fmt: skip
"""Ohms at °C of R25 = 10 k, B = 3974 K, worked out by the beta equation: the Zephyr project's device tree table
thermistor-R25-10000-B-3974, made by its scripts/utils/ntc_thermistor_table.py."""


@pytest.mark.parametrize(("celsius", "ohm"), WORKED.items())
def test_thermistor_against_a_worked_table_of_the_beta_equation(celsius: int, ohm: int) -> None:
    sensor = Thermistor(r25_ohm=10_000.0, beta_k=3974.0)
    raw = round(FULL * ohm / (ohm + 10_000.0))
    assert sensor.celsius(raw) == pytest.approx(celsius, abs=0.11)  # an ohm of 351, and a step of the converter


PART_KOHM = {-40: 277.2, -20: 87.43, 0: 31.77, 10: 19.68, 25: 10.00, 40: 5.327, 50: 3.592, 60: 2.472, 85: 1.059,
             100: 0.6744, 125: 0.3341}  # fmt: skip
"""kΩ at °C of a real part sold as 10 k, 3950: the maker's table 103_3950_lookuptable.pdf of a component shop."""
WITHIN_C = {-40: 5.5, -20: 3.5, 0: 1.3, 10: 0.7, 25: 0.1, 40: 0.3, 50: 0.1, 60: 0.3, 85: 1.3, 100: 1.3, 125: 3.0}


@pytest.mark.parametrize(("celsius", "kohm"), PART_KOHM.items())
def test_how_far_one_beta_is_from_a_real_part(celsius: int, kohm: float) -> None:
    """B holds between the two temperatures it is given for, 25 and 50 °C here; beyond them it drifts off, by as much as
    README says."""
    sensor = Thermistor()
    raw = round(FULL * kohm / (kohm + 10.0))
    found = sensor.celsius(raw)
    assert found is not None
    assert abs(found - celsius) <= WITHIN_C[celsius]


def test_the_part_s_own_beta_is_the_default() -> None:
    """The definition, B = ln(R1/R2) / (1/T1 - 1/T2) (thermistor makers' pages: cantherm.com, "How do I calculate the
    resistance of a thermistor?"; ametherm.com, "Calculating Beta"), on the part's table at 25 and 50 °C."""
    beta = math.log(PART_KOHM[25] / PART_KOHM[50]) / (1 / 298.15 - 1 / 323.15)
    assert Thermistor().beta_k == pytest.approx(beta, rel=2e-3)


def test_classes_are_those_of_the_contact_disturbance_tests() -> None:
    """1 µs, 10 µs, 100 µs, 1 ms, 10 ms: grades of disturbance as used with IEC 60512-2-5 (test 2e) and EIA-364-46."""
    assert [seconds for _, seconds in rules.CLASSES] == [1e-6, 1e-5, 1e-4, 1e-3, 1e-2]
    for name, seconds in rules.CLASSES:
        assert rules.class_of(seconds) == name
        assert rules.class_of(seconds * 0.99) != name
