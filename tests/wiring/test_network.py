"""The linear solver against circuits whose answer is known in closed form."""

import math

import numpy as np
import pytest
from toothwise.wiring.network import Element, Network, first_crossing

DIVIDER = (
    Element("R", "R1", "in", "out", "r1"),
    Element("R", "R2", "out", "0", "r2"),
    Element("C", "C1", "out", "0", "c"),
)
VALUES = {"r1": 3000.0, "r2": 1000.0, "c": 1e-9}


def test_divider_at_rest():
    network = Network(DIVIDER, VALUES, ("0", "in"))
    assert network.rest({"0": 0.0, "in": 8.0})["out"] == pytest.approx(2.0)


def test_step_of_a_resistor_and_a_capacitor():
    network = Network(DIVIDER, VALUES, ("0", "in"))
    course = network.after_step({"out": 0.0}, {"0": 0.0, "in": 8.0})
    tau = 750.0 * 1e-9
    times = np.linspace(0, 5 * tau, 50)
    assert course(times)["out"] == pytest.approx(2.0 * (1 - np.exp(-times / tau)))


def test_corner_of_a_low_pass():
    network = Network(DIVIDER, VALUES, ("0", "in"))
    corner = 1 / (2 * math.pi * 750e-9)
    zero = Network((*DIVIDER, Element("R", "R3", "ref", "0", "r2")), VALUES, ("0", "in"))
    swing = zero.sine("out", "ref", corner, {"0": 0.0, "in": 4.0})
    assert abs(swing) == pytest.approx(1 / math.sqrt(2))
    assert math.degrees(np.angle(swing)) == pytest.approx(-45.0)
    assert network.rest({"0": 0.0, "in": 4.0})["out"] == pytest.approx(1.0)


def test_current_into_a_node():
    leaking = (*DIVIDER, Element("I", "I1", "out", "0", "leak"))
    network = Network(leaking, {**VALUES, "leak": 1e-3}, ("0", "in"))
    assert network.rest({"0": 0.0, "in": 8.0})["out"] == pytest.approx(2.0 - 0.75)


@pytest.mark.parametrize("at", [3e-7, 1e-6, 2.345e-5, 9e-3])
def test_first_crossing_finds_it(at):
    assert first_crossing(lambda t: np.tanh((t - at) / at), 1e-2) == pytest.approx(at, rel=1e-6)


def test_first_crossing_takes_the_first_and_says_never():
    assert first_crossing(lambda t: np.sin(2 * np.pi * t / 1e-3) - 0.5, 1e-2) == pytest.approx(1e-3 / 12, rel=1e-5)
    assert math.isnan(first_crossing(lambda t: t - 1.0, 1e-2))
    assert first_crossing(lambda t: t + 1.0, 1e-2) == 0.0
