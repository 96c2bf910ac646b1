"""The simulator's opinion: the short form of the campaign, and proof that it notices a broken circuit."""

import dataclasses
from dataclasses import replace

import pytest
from toothwise.errors import Trouble
from toothwise.wiring import simulate
from toothwise.wiring.campaign import campaign, draws, teeth
from toothwise.wiring.front import FrontEnd
from toothwise.wiring.netlist import netlist, step
from toothwise.wiring.spread import Spread, nominals
from toothwise.wiring.standard import design

from tests.parts import need

RUNS = 3


@pytest.fixture(autouse=True)
def _ngspice():
    need("ngspice", simulate.available())


@pytest.mark.parametrize(
    "name", ["hall-5v", "hall-8v", "hall-12v", "current", "feed-5v", "feed-8v", "feed-12v", "reluctance"]
)
def test_campaign(name):
    checks = campaign(design(name), RUNS)
    assert len(checks) >= 24
    assert not [
        f"{check.name}: {check.worst:.4g} of {check.limit:g} {check.unit}" for check in checks if not check.kept
    ]


def _broken(front: FrontEnd) -> list[str]:
    return [check.name for check in campaign(front, 0) if not check.kept]


def _without(front: FrontEnd, *refs: str) -> FrontEnd:
    kept = tuple(e for e in front.circuit.elements if e.ref not in refs)
    return replace(front, circuit=replace(front.circuit, elements=kept))


def _with(front: FrontEnd, **values: float) -> FrontEnd:
    return replace(front, spreads={**front.spreads, **{name: Spread.of(v, 0.0) for name, v in values.items()}})


def test_a_missing_clamp_is_noticed():
    broken = _broken(_without(design("feed-12v"), "D1"))
    assert any("pin above its supply" in name for name in broken)
    assert any("pin below ground" in name for name in _broken(_without(design("feed-12v"), "D2")))


def test_a_first_resistor_too_small_is_noticed():
    assert any("3.3 V line" in name for name in _broken(_with(design("feed-12v"), series=1e3)))


def test_a_filter_too_slow_loses_teeth():
    assert any("teeth miscounted" in name for name in _broken(_with(design("hall-5v"), filter=10e-9)))


def test_a_coil_too_weak_loses_teeth():
    front = design("reluctance")
    weak = replace(front, asked={**front.asked, "peak_volts": 0.04})
    assert [check.name for check in teeth(weak, draws(weak, 0, 1)) if not check.kept]


def test_a_wrong_reference_is_noticed():
    front = design("hall-5v")
    wrong = replace(front, figures=tuple(
        replace(f, spread=Spread.of(1.2 * f.spread.nominal, 0.01)) if f.key == "threshold_rising" else f
        for f in front.figures
    ))  # fmt: skip
    assert "thresholds outside the computed worst case" in _broken(wrong)


def test_one_process_gives_one_trace_a_run_and_the_values_reach_it():
    front = design("hall-5v")
    base = nominals(front.spreads)
    slow = {**base, "delay": 0.9e-6}
    fast, late = simulate.run(front, step(front), [base, slow])
    at = [float(t.crossings_s("pin", 1.65, rising=True)[0]) for t in (fast, late)]
    assert at[1] - at[0] == pytest.approx(slow["delay"] - base["delay"], rel=0.1)


def test_draws_are_the_same_for_a_seed_and_begin_with_the_nominal_values():
    front = design("current")
    first, again, other = draws(front, 5, 3), draws(front, 5, 3), draws(front, 5, 4)
    assert first == again != other
    assert first[0]["series"] == front.spreads["series"].nominal
    assert all(front.spreads["series"].low <= values["series"] <= front.spreads["series"].high for values in first)


def test_a_netlist_that_does_not_run_is_said(monkeypatch):
    front = design("feed-5v")
    bad = dataclasses.replace(step(front), lines=("Vsig sig 0 nonsense",))
    with pytest.raises(Trouble, match="did not finish run 0"):
        list(simulate.run(front, bad, [nominals(front.spreads)]))
    monkeypatch.setattr(simulate, "PROGRAM", "no-such-simulator")
    with pytest.raises(Trouble, match="ngspice is not installed"):
        list(simulate.run(front, step(front), [nominals(front.spreads)]))


def test_netlist_holds_every_value_of_the_design():
    front = design("reluctance")
    text = netlist(front, step(front), [nominals(front.spreads)])
    for element in front.circuit.elements:
        if element.kind in ("R", "C"):
            assert f"{{p_{element.value}}}" in text
            assert f".param p_{element.value}={front.spreads[element.value].nominal:.9g}" in text
