"""Test plans: ordered by what they decide for their minutes, and ordered anew as results come in."""

from dataclasses import replace

import pytest
from toothwise.causes.findings import Findings
from toothwise.causes.job import from_dict
from toothwise.causes.likelihood import CAUSES, table
from toothwise.causes.plan import book_of_tests, plan
from toothwise.causes.signs import Sighting
from toothwise.causes.weigh import weights

from tests.causes.textbook import CASES, HALL, of


def names(findings: Findings) -> list[str]:
    return [step.test.name for step in plan(findings)]


def job(**card: object) -> Findings:
    return Findings(job=from_dict(dict(card)))


def test_codes_come_first_until_they_are_read() -> None:
    assert names(job(complaint=["stall"]))[0] == "codes"
    assert "codes" not in names(job(complaint=["stall"], codes=[]))


def test_recording_comes_before_unplugging() -> None:
    order = names(job(complaint=["no start"], codes=["P0335"], sensor={"kind": "hall"}))
    assert order[0] == "record"
    unplugs = {t.name for t in book_of_tests()[0] if t.unplugs}
    first = min(order.index(name) for name in unplugs if name in order)
    assert set(order[first:]) <= unplugs


def test_only_what_fits_the_sensor() -> None:
    hall = names(job(sensor={"kind": "hall"}))
    coil = names(job(sensor={"kind": "variable_reluctance"}))
    assert "coil" not in hall and "supply" in hall
    assert "coil" in coil and "supply" not in coil and "cranking_ac" in coil


def test_it_orders_anew_as_results_arrive() -> None:
    before = of({"codes": ["P0335"], "sensor": HALL}, events=[])
    rough = of({"codes": ["P0303"], "complaint": ["rough idle"], "sensor": HALL}, events=[])
    assert names(rough)[0] == "idle"
    assert names(before)[0] != "idle"
    known = replace(rough, measures=CASES["misfire"].measures)
    assert "idle" not in names(known)


def test_a_complaint_of_the_cam_asks_for_the_cam() -> None:
    assert names(job(codes=["P0016"]))[:2] == ["record", "cam"]


def test_steps_are_sorted_and_say_what_they_decide() -> None:
    steps = plan(of({"codes": [], "sensor": HALL, "complaint": ["stall"]}))
    rates = [s.bits_a_minute for s in steps]
    assert rates == sorted(rates, reverse=True)
    assert all(s.decides and s.test.good and s.test.minutes > 0 for s in steps)


def test_cranking_and_running_bring_their_cautions() -> None:
    for test in book_of_tests()[0]:
        text = " ".join(test.safety)
        if "cranking" in test.do:
            assert "disable fuel and ignition" in text, test.name
        if "idle" in test.do:
            assert "leads clear of belts" in text, test.name


def test_information_is_the_mean_loss_of_entropy() -> None:
    """Against the definition, by playing every answer of one sign through the weighing itself."""
    import math

    from toothwise.causes.plan import _bits

    def entropy(shares: dict[str, float]) -> float:
        return -sum(p * math.log2(p) for p in shares.values() if p > 0)

    likelihood = table()
    prior = weights([], likelihood)
    for sign in ("held", "supply", "polarity"):
        row = likelihood.signs[sign]
        after = 0.0
        for outcome in row.outcomes:
            chance = sum(prior[c] * row.chance[c][outcome] for c in CAUSES)
            after += chance * entropy(weights([Sighting(sign, outcome, "")], likelihood))
        # The weighing caps single signs; these three never reach the cap under the prior.
        assert _bits(sign, prior, likelihood) == pytest.approx(entropy(prior) - after, abs=2e-3)


def test_a_settled_case_leaves_little_to_do() -> None:
    assert sum(s.bits for s in plan(CASES["wheel_tooth"])) < sum(s.bits for s in plan(CASES["unproven"]))


def test_what_good_looks_like_names_the_limits_that_judge() -> None:
    good = {t.name: t.good for t in book_of_tests()[0]}
    assert "within 0.2 V of 5 or 8 V" in good["supply"] and "at most 0.1 V" in good["supply"]
    assert "at most 0.5 V" in good["levels"] and "within 0.3 V of a pull-up" in good["levels"]
    assert not any("{" in text for text in good.values())
