"""Measures against sources outside the project."""

from __future__ import annotations

from fractions import Fraction
from itertools import product
from math import factorial

import numpy as np
import pytest
from scipy import stats
from toothwise.checks.stripes import _tail, chance_of_most
from toothwise.checks.wheel_error import WheelError
from toothwise.scatter import spread_of

from tests.checks.spinning import MICRO, Spin, n_minus


def test_tooth_spacing_against_bladesight() -> None:
    """bladesight 0.17 (MIT), `perform_bayesian_geometry_compensation`: Diamond, Heyns and Oberholster 2016,
    MSSP 81:402–418, doi 10.1016/j.ymssp.2016.02.060. A wheel without gaps, as the method needs sections of like size,
    turned while its speed changes; both must find the same wheel from the same times."""
    from bladesight.ias.geometry_compensation import perform_bayesian_geometry_compensation

    wheel = n_minus(36, 0)
    error = np.random.default_rng(12).uniform(-0.3, 0.3, 36)
    turns = 12
    teeth = Spin(600.0, 120, ((0.3, 0.02, 0.5),), ramp=1.5, seed=12).teeth(wheel, error_deg=error, tick_ns=16.0)
    check = WheelError(wheel, type(MICRO)(16.0))
    check.add(teeth)
    learnt = check.result()
    assert learnt is not None
    ours = np.diff(np.append(learnt.whole_deg, learnt.whole_deg[0])) + 10.0
    theirs = np.degrees(perform_bayesian_geometry_compensation(teeth.ticks[: 36 * turns + 1] * 16e-9, N=36, M=turns))
    truth = np.diff(np.append(error, error[0])) + 10.0
    assert np.abs(theirs - truth).max() < 0.05
    assert np.abs(ours - theirs).max() < 0.06
    assert np.sqrt(np.mean((ours - truth) ** 2)) < 1.1 * np.sqrt(np.mean((theirs - truth) ** 2)) + 0.002


@pytest.mark.parametrize(("faults", "teeth"), [(2, 6), (5, 4), (6, 6), (7, 3)])
def test_stripe_chance_against_every_case_counted(faults: int, teeth: int) -> None:
    """All teeth**faults ways, one by one."""
    largest = np.array([np.bincount(case, minlength=teeth).max() for case in product(range(teeth), repeat=faults)])
    for most in range(1, faults + 1):
        assert chance_of_most(faults, teeth, most) == pytest.approx((largest >= most).mean(), abs=1e-12)


def test_stripe_chance_against_scipy() -> None:
    """scipy.stats: the binomial's tail exactly; the multinomial by a hundred thousand draws."""
    for n, p, k in [(20, 1 / 58, 3), (200, 1 / 35, 18), (2000, 1 / 58, 60), (7, 0.5, 7)]:
        assert _tail(n, p, k) == pytest.approx(stats.binom.sf(k - 1, n, p), rel=1e-9)
    draws = stats.multinomial.rvs(40, np.full(58, 1 / 58), size=100_000, random_state=5).max(axis=1)
    for most in (3, 4, 5):
        share = (draws >= most).mean()
        assert chance_of_most(40, 58, most) == pytest.approx(share, abs=4 * np.sqrt(share / 100_000) + 1e-5)


def test_stripe_chance_is_the_birthday_problem() -> None:
    """Two or more on one of 365 places among 23: 0.5073 (von Mises 1939; the textbook value)."""
    exact = 1 - Fraction(factorial(365), factorial(342)) / 365**23
    assert chance_of_most(23, 365, 2) == pytest.approx(float(exact), abs=1e-12)
    assert float(exact) == pytest.approx(0.5073, abs=5e-5)


def test_spread_from_the_bulk_against_scipy() -> None:
    """scipy.stats.median_abs_deviation(scale="normal")."""
    values = np.random.default_rng(3).normal(size=5001) * 2.5
    assert spread_of(values) == pytest.approx(stats.median_abs_deviation(values, scale="normal"), rel=1e-4)


@pytest.mark.parametrize(("slots", "missing", "one", "two"), [(60, 2, 3.0, 2.0), (36, 2, 3.0, 2.0), (36, 1, 2.0, 1.5)])
def test_signatures_of_polarity(slots: int, missing: int, one: float, two: float) -> None:
    """N-2 shows 2.0 twice instead of 3.0 once, N-1 shows 1.5 twice instead of 2.0 once [D]: recomputed from the places
    of teeth and of the centres of the spaces between them."""
    teeth = np.arange(slots - missing)
    right = np.diff(np.append(teeth, slots))
    centres = (teeth + np.append(teeth[1:], slots)) / 2
    swapped = np.diff(np.append(centres, centres[0] + slots))
    assert sorted(right)[-1] == one and (right == 1).sum() == slots - missing - 1
    assert sorted(swapped)[-2:] == [two, two] and len(swapped) == len(right)


@pytest.mark.parametrize(("missing", "fraction"), [(0, 1 / 3), (1, 0.5), (2, 0.6)])
def test_gap_fraction(missing: int, fraction: float) -> None:
    """The middle of three intervals over their sum at steady speed [D]; the test itself in US 6,498,980 (2002) [S]."""
    gap = missing + 1
    assert gap / (gap + 2) == pytest.approx(fraction)


def test_cam_angles_of_sprockets_and_chains() -> None:
    """A sprocket tooth is 360/teeth crank degrees: 18 → 20°, 20 → 18°, 24 → 15° [D]. Chain stretch lag is
    360·e·n_tight/N: 60 tight pitches, N = 20: 0.5 % → 5.4°, 1 % → 10.8° [D]."""
    assert [360 / n for n in (18, 20, 24)] == [20.0, 18.0, 15.0]
    assert [360 * e * 60 / 20 for e in (0.005, 0.01)] == pytest.approx([5.4, 10.8])


def test_eccentricity() -> None:
    """Angle error asin(e/R): 0.1 mm at R 75 is 0.076° and, as a change of speed, 0.13 % [D]. The same as runout
    once a turn, learnt from teeth that pass at such places."""
    degrees = np.degrees(np.arcsin(0.1 / 75))
    assert degrees == pytest.approx(0.0764, abs=1e-4)
    assert np.radians(degrees) == pytest.approx(0.0013, abs=5e-5)
    wheel = n_minus(60, 2)
    error = degrees * np.sin(np.radians(np.array(wheel.angles_deg)) + 1.0)
    check = WheelError(wheel, MICRO)
    check.add(Spin(700.0, 300, seed=2).teeth(wheel, error_deg=error))
    learnt = check.result()
    assert learnt is not None
    assert learnt.runout_deg[0] == pytest.approx(degrees, abs=0.003)


@pytest.mark.parametrize(("reach", "share"), [(1.96, 0.95), (6.1, 1 - 1e-9)])
def test_reaches_of_the_normal_distribution(reach: float, share: float) -> None:
    """What `opposite` and the uncertainties lean on; scipy.stats.norm."""
    assert stats.norm.cdf(reach) - stats.norm.cdf(-reach) == pytest.approx(
        share, abs=max(1e-3 * (1 - share), 5e-5 * (share < 0.99) + 2e-10)
    )
