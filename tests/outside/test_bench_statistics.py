"""The bench's statistics against scipy, statsmodels, integrals, and published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from toothwise.bench import capability, charts, gauge, sampling, special

from tests.parts import need

stats = pytest.importorskip("scipy.stats")
integrate = pytest.importorskip("scipy.integrate")


@pytest.mark.parametrize("a", [0.5, 1.0, 3.0, 40.0, 1000.0])
@pytest.mark.parametrize("b", [0.5, 2.0, 17.0, 600.0])
def test_beta(a: float, b: float) -> None:
    x = np.linspace(0.0, 1.0, 101)
    mine = [special.beta_cdf(v, a, b) for v in x.tolist()]
    np.testing.assert_allclose(mine, stats.beta.cdf(x, a, b), rtol=1e-9, atol=1e-12)


def test_binomial_f_t_and_chi_squared() -> None:
    for n, p in ((80, 0.01), (13, 0.4), (2000, 0.003)):
        for k in (0, 1, 2, n // 3, n):
            assert special.binomial_cdf(k, n, p) == pytest.approx(stats.binom.cdf(k, n, p), rel=1e-9)
    for f, d1, d2 in ((0.43, 18, 60), (79.4, 9, 18), (3.0, 1, 2)):
        assert special.f_survival(f, d1, d2) == pytest.approx(stats.f.sf(f, d1, d2), rel=1e-9)
    for p in (0.6, 0.95, 0.975, 0.999, 0.05):
        for df in (1, 4, 9, 100):
            assert special.t_quantile(p, df) == pytest.approx(stats.t.ppf(p, df), rel=1e-8)
            assert special.chi2_quantile(p, df) == pytest.approx(stats.chi2.ppf(p, df), rel=1e-8)
    for a in (0.5, 3.0, 200.0):
        x = np.array([0.1, 1.0, a, 3 * a])
        mine = [special.gamma_cdf(v, a) for v in x.tolist()]
        np.testing.assert_allclose(mine, stats.gamma.cdf(x, a), rtol=1e-9, atol=1e-13)


# The bounds are 1 - 0.05^(1/n), rounded [D].
@pytest.mark.parametrize(("n", "bound"), [(30, 0.095), (60, 0.0487), (100, 0.0295), (300, 0.00994)])
def test_upper_bound_without_failures(n: int, bound: float) -> None:
    assert sampling.upper_bound(0, n) == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-9)
    assert sampling.upper_bound(0, n) == pytest.approx(bound, rel=0.005)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"), [(0, 30, 0.0, 0.116), (1, 50, 0.0005, 0.106), (2, 100, 0.0024, 0.070)]
)
def test_clopper_pearson(k: int, n: int, low: float, high: float) -> None:
    mine = sampling.clopper_pearson(k, n)
    theirs = stats.binomtest(k, n).proportion_ci(method="exact")
    assert mine == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    assert mine == pytest.approx((low, high), abs=0.0006)


@pytest.mark.parametrize(
    ("confidence", "reliability", "n"), [(0.9, 0.9, 22), (0.95, 0.9, 29), (0.95, 0.95, 59), (0.95, 0.99, 299)]
)
def test_zero_failure_sizes(confidence: float, reliability: float, n: int) -> None:
    assert sampling.zero_failure_size(confidence, reliability) == n
    assert stats.binom.cdf(0, n, 1 - reliability) <= 1 - confidence < stats.binom.cdf(0, n - 1, 1 - reliability)


@pytest.mark.parametrize(("n", "bound"), [(30, 1.026), (50, 1.096), (100, 1.165)])
def test_bissell(n: int, bound: float) -> None:
    assert capability.cpk_bound(1.33, n) == pytest.approx(bound, abs=0.001)


def test_bissells_bound_covers_and_cp_bound_is_chi_squared() -> None:
    """Monte Carlo: the true Cpk lies above the lower 95 % bound in about 95 % of lots."""
    rng = np.random.default_rng(8)
    draws = rng.normal(0.0, 1.0, (4000, 50))
    true_cpk = 4.0 / 3.0
    found = [capability.capability(row, -4.0, 4.5) for row in draws]
    above = np.mean([f.cpk_low < true_cpk for f in found if f is not None and f.cpk_low is not None])
    assert above == pytest.approx(0.95, abs=0.015)
    assert capability.cp_bound(1.5, 40) == pytest.approx(1.5 * math.sqrt(stats.chi2.ppf(0.05, 39) / 39), rel=1e-9)


def test_single_sampling_plans() -> None:
    """Code J, AQL 1.0: n 80, Ac 2 (from memory); further cells of MIL-STD-105E, Table II-A, from memory."""
    plan = sampling.plan(1000, 1.0)
    assert (plan.letter, plan.size, plan.accept) == ("J", 80, 2)
    for lot, aql, letter, size, accept in (
        (10_000, 0.65, "L", 200, 3),
        (3000, 1.0, "K", 125, 3),
        (500, 2.5, "H", 50, 3),
        (100, 4.0, "F", 20, 2),
        (1000, 0.15, "J", 80, 0),
        (1000, 0.25, "J", 50, 0),  # arrow up
        (1000, 0.40, "J", 125, 1),  # arrow down
        (40, 1.0, "D", 13, 0),  # arrow down to the 0 of code E
        (100, 0.65, "F", 20, 0),
        (150_000, 10.0, "N", 125, 21),  # arrow up to the last 21
    ):
        found = sampling.plan(lot, aql)
        assert (found.letter, found.size, found.accept) == (letter, size, accept), (lot, aql)


def test_operating_characteristic() -> None:
    plan = sampling.plan(1000, 1.0)
    for p in (0.001, 0.01, 0.03, 0.065, 0.1):
        assert plan.accepts(p) == pytest.approx(stats.binom.cdf(2, 80, p), rel=1e-9)
    # MIL-STD-105E, Table X-J-1 (from memory): 95 % accepted at 1.03 % (Poisson/binomial), 10 % at 6.52 %.
    assert plan.share_at(0.95) == pytest.approx(0.0103, abs=0.0002)
    assert plan.share_at(0.10) == pytest.approx(0.0652, abs=0.0003)


# ASTM Manual on Presentation of Data (MNL 7), from memory.
@pytest.mark.parametrize(("n", "c4", "d2"), [(2, 0.7979, 1.128), (5, 0.9400, 2.326), (10, 0.9727, 3.078)])
def test_chart_constants(n: int, c4: float, d2: float) -> None:
    assert (round(charts.c4(n), 4), round(charts.d2(n), 3)) == (c4, d2)
    # E(s)/sigma over the chi distribution's density, and the mean range over the normal's.
    chi = integrate.quad(lambda s: s * stats.chi.pdf(s, n - 1), 0, 40)[0] / math.sqrt(n - 1)
    assert charts.c4(n) == pytest.approx(chi, rel=1e-8)

    def inside(z: float) -> float:
        below = stats.norm.cdf(z)
        return float(1 - below**n - (1 - below) ** n)

    assert charts.d2(n) == pytest.approx(integrate.quad(inside, -9, 9)[0], rel=1e-7)


# AIAG, Measurement Systems Analysis, 4th edition, the worked study of 10 parts, 3 appraisers, 3 trials (figures from
# memory; sums of squares and shares compared with two other people's published solutions of the same study).
AIAG = {
    "A": """0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
            0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
            0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31""",
    "B": """0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
            0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
            0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50""",
    "C": """0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
            -0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
            -0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16""",
}


def aiag() -> np.ndarray:
    tables = [np.array(text.split(), float).reshape(3, 10) for text in AIAG.values()]
    return np.stack(tables).transpose(2, 0, 1)  # parts, operators, trials


def test_gauge_study_of_the_handbook() -> None:
    study = gauge.gauge_study(aiag())
    squares = {row.source: row.squares for row in study.rows}
    expected = {"parts": 88.3619, "operators": 3.1673, "interaction": 0.3590, "repeatability": 2.7589, "total": 94.6471}
    assert squares == pytest.approx(expected, abs=6e-5)
    assert study.pooled
    spread = {"repeatability": 0.199933, "operators": 0.226838, "gauge": 0.302373, "parts": 1.042327, "total": 1.085300}
    assert {name: study.spread[name] for name in spread} == pytest.approx(spread, abs=2e-5)
    assert study.share["gauge"] == pytest.approx(0.2786, abs=5e-5)
    assert (study.categories, study.verdict) == (4, "conditional")


def test_gauge_study_against_statsmodels() -> None:
    try:
        import pandas
        from statsmodels.api import stats as sm_stats
        from statsmodels.formula.api import ols
    except ImportError:
        need("statsmodels", False)
    rng = np.random.default_rng(3)
    shape = (6, 3, 4)
    values = rng.normal(0, 1, (6, 1, 1)) + rng.normal(0, 0.5, (1, 3, 1)) + rng.normal(0, 0.4, (6, 3, 1))
    values = values + rng.normal(0, 0.2, shape)
    part, operator, _ = np.meshgrid(*map(np.arange, shape), indexing="ij")
    frame = pandas.DataFrame({"y": values.ravel(), "part": part.ravel(), "operator": operator.ravel()})
    table = sm_stats.anova_lm(ols("y ~ C(part) * C(operator)", frame).fit())
    study = gauge.gauge_study(values)
    names = {"parts": "C(part)", "operators": "C(operator)", "interaction": "C(part):C(operator)"}
    for row in study.rows[:4]:
        theirs = table.loc[names.get(row.source, "Residual")]
        assert (row.freedom, row.squares) == pytest.approx((theirs["df"], theirs["sum_sq"]), rel=1e-8)
    interaction = study.rows[2]
    assert interaction.f == pytest.approx(table.loc[names["interaction"], "F"], rel=1e-8)
    assert interaction.p == pytest.approx(table.loc[names["interaction"], "PR(>F)"], rel=1e-6)
