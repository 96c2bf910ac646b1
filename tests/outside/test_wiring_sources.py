"""Front ends against standards, handbook formulas and a general-purpose library."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.linalg import expm
from toothwise.wiring import limits, pulses
from toothwise.wiring.models import DIODES, INPUT_DIODE
from toothwise.wiring.parts import E12, E24, E96
from toothwise.wiring.spread import nominals
from toothwise.wiring.standard import NAMES, design


def test_preferred_values():
    # IEC 60063, from memory. E12 and E24: the printed series. E96: the printed first and last decade steps; each is
    # 10^(i/96) to three figures. (E24 departs from 10^(i/24) at 2.7 to 4.7 and 8.2, for historical reasons.)
    assert E12 == (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
    assert len(E24) == 24 and all(a < b for a, b in itertools.pairwise(E24))
    assert all(abs(24 * math.log10(value) - i) < 1.0 for i, value in enumerate(E24))
    assert E96[:8] == (1.00, 1.02, 1.05, 1.07, 1.10, 1.13, 1.15, 1.18)
    assert E96[-4:] == (9.09, 9.31, 9.53, 9.76)


@pytest.mark.parametrize("name", [name for name in NAMES if name != "reluctance"])
def test_thresholds_by_the_textbook_formula_of_a_non_inverting_comparator(name):
    # Any electronics handbook: with input resistance Rs from a source a·V, feedback Rf from an output at Vo, the
    # + input stands at (a·V·Rf + Vo·Rs)/(Rs+Rf); it turns at the reference. Written out here once more.
    front = design(name)
    v = nominals(front.spreads)
    reference = v["supply"] * v["reference_bottom"] / (v["reference_top"] + v["reference_bottom"])
    bottom = v.get("bottom", math.inf)
    share = 1.0 if bottom == math.inf else bottom / (bottom + v["series"])
    source = share * v["series"] + v["into_input"]
    for rising in (True, False):
        # The output's own resistance is small beside the feedback: the pull-up when high, the closed switch when low.
        feedback = v["hysteresis"] + (0.0 if rising else v["pull_up"])
        output = v["supply"] * (v["sink"] / (v["sink"] + v["pull_up"])) if rising else v["supply"]
        turns = (reference * (source + feedback) - output * source) / feedback / share
        assert front.circuit.threshold(v, rising) == pytest.approx(turns, rel=2e-3)


@pytest.mark.parametrize("name", ["hall-5v", "hall-12v", "current", "feed-12v"])
def test_filter_delay_by_matrix_exponential(name):
    # scipy's expm on the two-node filter (node and + input), assembled here by hand; the rest of the circuit left out.
    front = design(name)
    v = nominals(front.spreads)
    low, high = front.swing
    bottom = 1 / v["bottom"] if "bottom" in v else 0.0
    out_low = v["supply"] * v["sink"] / (v["sink"] + v["pull_up"])
    into, back = 1 / v["into_input"], 1 / v["hysteresis"]
    conductance = np.array([[1 / v["series"] + bottom + into, -into], [-into, into + back]])
    stray = v.get("stray_adc", 0.0)
    capacitance = np.diag(
        [v["filter"] + v["stray_node"] + v["clamp_junctions"] + stray, v["stray_plus"] + v["input_junctions"]]
    )
    drive = lambda volts: np.array([volts / v["series"], out_low * back])  # noqa: E731
    start, end = (np.linalg.solve(conductance, drive(volts)) for volts in (low, high))
    reference = v["supply"] * v["reference_bottom"] / (v["reference_top"] + v["reference_bottom"])
    rate = -np.linalg.solve(capacitance, conductance)
    span = 20 * v["filter"] * v["series"]
    times = np.linspace(0, span, 4001)
    step = expm(rate * times[1])
    state, plus = start - end, []
    for _ in times:
        plus.append(state[1] + end[1])
        state = step @ state
    crossed = float(np.interp(reference, plus, times))
    # What remains to the pin: the comparator's delay and the pull-up charging output and pin, first order.
    charging = math.log(2) * v["pull_up"] * (v["stray_out"] + v["pin_capacitance"])
    assert front.circuit.delay_s(v, low, high) == pytest.approx(crossed + v["delay"] + charging, rel=0.02)


def test_delay_in_degrees():
    # Derived: 6 degrees a second per rpm, so one microsecond is 0.048 degrees at 8000 rpm and 0.0042 at 700.
    assert pytest.approx(0.048) == 6 * 8000 * 1e-6
    front = design("hall-5v")
    per_us = front.figure("phase_rising").nominal / (front.figure("delay_rising").nominal * 1e6)
    assert per_us == pytest.approx(0.048)


def test_hall_input_beside_a_10_k_pull_up():
    # Ohm's law: 5 V x 10/(10+120). Common practice, no source: a high within 0.3 V of the pull-up.
    # At 10 kohm the tap takes a little more than that, at 4.7 kohm it does not.
    assert design("hall-5v").figure("loading").nominal == pytest.approx(5 * 10 / 130, rel=1e-3)
    assert 5 * 4.7 / (4.7 + 120) < 0.3


def test_current_levels():
    # Ohm's law: 7 and 14 mA across 100 ohm are 0.7 and 1.4 V.
    assert design("current").swing == pytest.approx((0.7, 1.4))


def test_pulses_are_those_of_the_standards():
    # ISO 7637-2:2004 level IV: 1 -100 V 2 ms, 2a +50 V, 3a -150 V, 3b +100 V; ISO 16750-2 load dump 79 to
    # 101 V for 40 to 400 ms. Source impedances 10, 2, 50, 50 ohm as reprinted with that table in the data of automotive
    # drivers; load dump 0.5 to 4 ohm, rise 5 to 10 ms (table of ISO 16750-2 reprinted in JKIEES 30-8).
    of = {pulse.key: pulse for pulse in pulses.PULSES}
    heights = {key: pulse.peak_v - pulse.base_v for key, pulse in of.items()}
    assert (heights["pulse_1"], heights["pulse_2a"], heights["pulse_3a"], heights["pulse_3b"]) == (-100, 50, -150, 100)
    assert of["load_dump"].peak_v == 101.0 and of["load_dump"].duration_s == pytest.approx(0.4)
    assert [of[k].source_ohm for k in ("pulse_1", "pulse_2a", "pulse_3a", "pulse_3b")] == [10, 2, 50, 50]
    assert 0.5 <= of["load_dump"].source_ohm <= 4 and 5e-3 <= of["load_dump"].rise_s <= 10e-3
    for pulse in pulses.PULSES:
        times, volts = np.array(pulse.points()).T
        share = np.abs(volts - pulse.base_v) / abs(pulse.peak_v - pulse.base_v)
        # A tenth of the height is left after the duration, counted from the peak.
        peak = times[share.argmax()]
        assert np.interp(peak + pulse.duration_s, times, share) == pytest.approx(0.1, abs=0.01)


def test_pin_limits_are_the_datasheets():
    # RP2040 datasheet: tables 632 to 634 and section 5.3 (low 0.8 V, leakage 1 uA, pins' supply up to 3.63 V: read in a
    # stored copy); high 2.0 V and absolute limits -0.5 V to supply + 0.5 V from memory.
    assert (limits.PIN_LOW_V, limits.PIN_HIGH_V) == (0.8, 2.0)
    assert (limits.PIN_BELOW_GROUND_V, limits.PIN_ABOVE_SUPPLY_V) == (0.5, 0.5)
    assert limits.SUPPLY_V.high < limits.SUPPLY_MAX_V == 3.63
    assert pytest.approx(2 / 125e6) == limits.CAPTURE_PULSE_S


def test_diodes_behave_as_their_class():
    # Handbook figures, from memory: a small silicon diode drops 0.55 to 0.75 V at 1 mA, a small Schottky 0.2 to 0.35 V;
    # both lose about 2 mV a kelvin.
    assert 0.55 < DIODES["silicon"].forward_v(1e-3) < 0.75
    assert 0.2 < DIODES["schottky"].forward_v(1e-3) < 0.35
    assert DIODES["silicon"].forward_v(1e-3, -20.0) - DIODES["silicon"].forward_v(1e-3, 30.0) == pytest.approx(0.1)
    # k·T/q at 27 °C is 25.86 mV: an ideal diode gains 59.5 mV a decade.
    assert INPUT_DIODE.forward_v(1e-6) - INPUT_DIODE.forward_v(1e-7) == pytest.approx(0.0595, abs=2e-4)


def test_which_contact_disturbances_show():
    # Contact disturbance classes 1 us, 10 us, 100 us (trade pages; test methods IEC 60512-2-5 and EIA-364-46).
    # With the parts asked for, each front end with a level at rest shows the 10 us class for sure, none the 1 us class.
    for name in ("hall-5v", "hall-8v", "hall-12v", "current", "feed-5v", "feed-8v", "feed-12v"):
        assert 1e-6 < design(name).figure("shortest_interruption").high < 10e-6
