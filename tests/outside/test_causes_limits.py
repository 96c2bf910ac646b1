"""Sprocket and stretch angles, bounds, and the table's arithmetic, against formulas and scipy.

Sprocket: one tooth is 360/teeth crank degrees. Stretch: lag = 360·e·n_tight/N. Derived.
"""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.causes.likelihood import CAUSES, table
from toothwise.causes.signs import look
from toothwise.causes.signs.cam import SPROCKET_DEG, STRETCH_DEG, whole_teeth
from toothwise.causes.signs.paper import PROVEN_TURNS
from toothwise.causes.weigh import CAP, weights

from tests.causes.textbook import CASES


@pytest.mark.parametrize(("teeth", "deg"), [(18, 20.0), (20, 18.0), (24, 15.0)])
def test_one_sprocket_tooth(teeth: int, deg: float) -> None:
    assert 360 / teeth == deg
    assert SPROCKET_DEG[0] < deg < SPROCKET_DEG[1]
    assert whole_teeth(deg) == whole_teeth(-deg) == 1
    assert whole_teeth(2 * deg) == 2


@pytest.mark.parametrize(("stretch", "lag"), [(0.005, 5.4), (0.01, 10.8)])
def test_chain_stretch(stretch: float, lag: float) -> None:
    assert 360 * stretch * 60 / 20 == pytest.approx(lag)
    assert lag < STRETCH_DEG and whole_teeth(lag) == 0


@pytest.mark.parametrize("deg", [0.0, 2.0, 5.0, 10.8, 25.0, 60.0])
def test_no_whole_tooth(deg: float) -> None:
    assert whole_teeth(deg) == 0


def test_no_failure_in_so_many_turns_bounds_it() -> None:
    """Clopper–Pearson, one-sided 95 %, by scipy."""
    from scipy.stats import beta

    bound = beta.ppf(0.95, 1, PROVEN_TURNS)
    assert bound == pytest.approx(1 - 0.05 ** (1 / PROVEN_TURNS), rel=1e-9)
    assert bound < 0.003


@pytest.mark.parametrize("case", CASES)
def test_weights_are_bayes_rule(case: str) -> None:
    """Plain Bayes with scipy's log-sum-exp, the table's chances taken as they stand."""
    from scipy.special import logsumexp

    likelihood = table()
    sightings = look(CASES[case])
    logs = np.array([np.log(likelihood.prior[c]) for c in CAUSES])
    for sighting in sightings:
        chance = likelihood.signs[sighting.sign].chance
        row = np.array([np.log(chance[c][sighting.outcome]) for c in CAUSES])
        row -= logsumexp(row, b=list(likelihood.prior.values()))
        logs += sighting.strength * np.clip(row, -CAP, CAP)
    share = np.exp(logs - logsumexp(logs))
    assert list(weights(sightings, likelihood).values()) == pytest.approx(share.tolist(), rel=1e-9)
