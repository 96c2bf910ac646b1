"""What a design promises, checked on its own values."""

import itertools
import json
import math

import numpy as np
import pytest
from toothwise.errors import Trouble
from toothwise.wiring import current, feed, hall, reluctance, standard
from toothwise.wiring.front import Turning
from toothwise.wiring.models import Comparator
from toothwise.wiring.spread import Spread, draw, extremes, nominals
from toothwise.wiring.standard import NAMES, design, shortest_interruption
from toothwise.wiring.surge import Surge, refuse_if_it_breaks, through


def sixty_two(rpm=8000.0):
    return Turning.of("60-2", rpm)


@pytest.mark.parametrize("name", NAMES)
def test_random_builds_stay_within_the_worst_case(name):
    front = design(name)
    rng = np.random.default_rng(7)
    for _ in range(60):
        values = draw(front.spreads, rng)
        for key, rising in (("threshold_rising", True), ("threshold_falling", False)):
            figure = front.figure(key)
            assert figure.low <= front.circuit.threshold(values, rising) <= figure.high
        for key, ends in (("delay_rising", front.swing), ("delay_falling", front.swing[::-1])):
            figure = front.figure(key)
            slack = 0.01 * figure.nominal
            assert figure.low - slack <= front.circuit.delay_s(values, *ends) <= figure.high + slack


def test_extremes_are_the_worst_of_all_corners():
    front = design("hall-5v")
    named = ("series", "bottom", "reference_top", "reference_bottom", "supply", "offset", "hysteresis", "leakage")
    spreads = {name: front.spreads[name] for name in named}
    rest = nominals(front.spreads)
    corners = [
        front.circuit.threshold({**rest, **dict(zip(named, ends, strict=True))}, rising=True)
        for ends in itertools.product(*((s.low, s.high) for s in spreads.values()))
    ]
    found = extremes(lambda v: front.circuit.threshold({**rest, **v}, rising=True), spreads)
    assert found.low == pytest.approx(min(corners), rel=1e-9)
    assert found.high == pytest.approx(max(corners), rel=1e-9)


@pytest.mark.parametrize("volts", [5.0, 8.0, 12.0, 14.4])
def test_hall_turns_around_half_the_pull_up_and_hardly_loads_it(volts):
    front = hall.design(volts, sixty_two())
    assert front.figure("input_resistance").low >= 100e3
    middle = (front.figure("threshold_rising").nominal + front.figure("threshold_falling").nominal) / 2
    assert middle == pytest.approx(volts / 2, rel=0.02)
    # A good low is below 0.5 V and a good high within 0.3 V of the pull-up: common practice, no source.
    assert front.figure("threshold_falling").low > 0.5
    assert front.figure("threshold_rising").high < volts - 0.3 - front.figure("loading").high


def test_current_turns_between_a_good_sensors_currents():
    front = current.design(sixty_two())
    assert front.figure("current_falling").low > 7e-3 * 1.2
    assert front.figure("current_rising").high < 14e-3 * 0.843


def test_coil_passes_its_weakest_signal_and_is_centred():
    front = reluctance.design(sixty_two())
    assert front.figure("threshold_rising").high < 0.15
    assert front.figure("threshold_falling").low > -0.15
    assert front.figure("hysteresis").low > 0.05
    assert front.figure("lowest_speed").nominal < 30.0
    assert front.figure("input_resistance").low >= 100e3


def test_a_stronger_coil_gets_a_higher_threshold():
    weak, strong = (reluctance.design(sixty_two(), peak_volts=peak) for peak in (0.15, 0.6))
    assert strong.figure("threshold_rising").nominal > 3 * weak.figure("threshold_rising").nominal


@pytest.mark.parametrize("volts", [5.0, 8.0, 12.0])
def test_feed_is_low_below_four_fifths(volts):
    front = feed.design(volts)
    assert front.figure("threshold_falling").nominal == pytest.approx(0.8 * volts, rel=0.02)
    assert front.figure("threshold_rising").high < volts
    assert abs(front.figure("analogue_error").nominal) < 0.01 * volts


def test_phase_is_the_delay_in_degrees_and_speed_is_what_passes():
    front = hall.design(5.0, sixty_two(6000.0))
    assert front.figure("phase_rising").high == pytest.approx(front.figure("delay_rising").high * 6.0 * 6000.0)
    # 40 % of a slot of 6 degrees must last as long as the shortest pulse that passes.
    highest = front.figure("highest_speed").nominal
    assert 0.4 * 6.0 / (6.0 * highest) == pytest.approx(front.figure("shortest_interruption").high)


def test_coil_edges_come_late_by_threshold_and_filter():
    front = reluctance.design(sixty_two())
    values = nominals(front.spreads)
    threshold = front.circuit.threshold(values, rising=True)
    # At 30 Hz the filter and the delay are nothing; the edge waits for the threshold alone.
    waits = math.degrees(math.asin(threshold / 0.15)) / 60
    assert front.figure("phase_rising_weakest").nominal == pytest.approx(waits, rel=0.01)
    assert math.isnan(front.circuit.sine_angle_deg(values, 30.0, threshold * 0.9, rising=True))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: hall.design(5.0, sixty_two(), series_ohm=47e3), "load a live circuit with"),
        (lambda: hall.design(5.0, sixty_two(), series_ohm=1e3), "would break the board: a 114 V pulse pushes"),
        (lambda: hall.design(24.0, sixty_two()), "--sensor-volts 24"),
        (lambda: hall.design(5.0, Turning.of("60-2", 20000.0), filter_us=50.0), "this front end passes"),
        (lambda: hall.design(5.0, sixty_two(), variant="live"), "--variant live"),
        (lambda: feed.design(12.0, series_ohm=3.3e3), "would break the board"),
        (lambda: feed.design(12.0, series_ohm=12e3), "load the feed"),
        (lambda: feed.design(12.0, low_volts=11.5), "--low-volts 11.5"),
        (lambda: current.design(sixty_two(), shunt_ohm=22.0), "22 ohm"),
        (lambda: current.design(sixty_two(), low_ma=10.0, high_ma=14.0), "turning points"),
        (lambda: current.design(sixty_two(), low_ma=14.0, high_ma=7.0), "two currents"),
        (lambda: reluctance.design(sixty_two(), peak_volts=0.06), "does not stand above"),
        (lambda: reluctance.design(sixty_two(), series_ohm=22e3), "load the coil"),
        (lambda: reluctance.design(sixty_two(), most_volts=400.0), "--most-volts 400"),
        (lambda: Turning.of("60-2", -5.0), "--top-rpm -5"),
    ],
)
def test_refused_with_the_reason(make, says):
    with pytest.raises(Trouble) as refused:
        make()
    assert says in str(refused.value)
    assert refused.value.step


@pytest.mark.parametrize(
    ("surge", "series_ohm", "says"),
    [
        (Surge(1e-3, 0.6, 0.1, 0.1, 100.0), None, "break the pin: it would go 0.60 V above"),
        (Surge(1e-3, 0.1, 0.7, 0.1, 100.0), None, "0.70 V below ground"),
        (Surge(1e-3, 0.8, 0.1, 0.1, 100.0), 100.0, "break the comparator: 8.0 mA"),
        (Surge(20e-3, 0.1, 0.1, 0.1, 100.0), None, "break the board"),
    ],
)
def test_a_surge_that_breaks_something_is_refused(surge, series_ohm, says):
    with pytest.raises(Trouble, match=says):
        refuse_if_it_breaks(surge, "R1", series_to_input_ohm=series_ohm)


def test_a_smaller_first_resistor_is_worse_for_everything_behind_it():
    large, small = (through(ohm, "schottky", 3.2) for ohm in (22e3, 2.2e3))
    assert small.into_supply_a > large.into_supply_a
    assert small.above_v > large.above_v
    assert small.resistor_w > large.resistor_w


def test_a_faster_comparator_shows_shorter_interruptions():
    slow, fast = (
        hall.design(5.0, sixty_two(), comparator=Comparator(delay_min_s=d / 10, delay_max_s=d)) for d in (1e-6, 1e-7)
    )
    assert fast.figure("shortest_interruption").high < slow.figure("shortest_interruption").high


def test_what_the_wiggle_test_is_told():
    seen = shortest_interruption("hall", 12.0)
    assert seen is not None
    assert pytest.approx(seen.capture_s) == 16e-9 and seen.capture_s < seen.usual_s < seen.sure_s < 5e-6
    assert shortest_interruption("reluctance") is None
    bare = shortest_interruption("none")
    assert bare is not None and bare.sure_s == pytest.approx(16e-9)
    with pytest.raises(Trouble, match="no front end called kelvin"):
        shortest_interruption("kelvin")


@pytest.mark.parametrize("name", NAMES)
def test_json_carries_every_figure_and_part(name):
    told = json.loads(json.dumps(design(name).as_json(), allow_nan=False))
    assert told["schema"] == 1
    assert told["front_end"] == name.split("-")[0]
    for figure in told["figures"]:
        assert figure["low"] <= figure["value"] <= figure["high"]
    assert all(part["value"] or part["rating"] or part["what"] for part in told["parts"])
    assert standard.PAGES[told["front_end"]]


def test_a_spread_keeps_its_order():
    assert Spread.of(100.0, 0.01) == Spread(100.0, 99.0, 101.0)
    assert Spread.around(0.0, 5.0) == Spread(0.0, -5.0, 5.0)
