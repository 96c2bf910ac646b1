import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from toothwise.wiring.parts import E12, E24, E96, at_least, best_divider, nearest, written

values = st.floats(1e-11, 9e6)


@given(values, st.sampled_from([E12, E24, E96]))
def test_nearest_is_no_further_than_the_series_steps(value, series):
    chosen = nearest(value, series)
    # Steps of E12, E24, E96 are at most 25 %, 15 % and 3 %: half a step away at most, by ratio.
    widest = max(b / a for a, b in zip(series, (*series[1:], 10 * series[0]), strict=True))
    assert abs(math.log(chosen / value)) <= math.log(widest) / 2 + 1e-9


@given(values, st.sampled_from([E12, E24, E96]))
def test_at_least_is_the_smallest_not_below(value, series):
    chosen = at_least(value, series)
    assert chosen >= value * (1 - 1e-9)
    assert at_least(chosen, series) == chosen
    assert chosen / value < 1.3


@given(st.floats(0.05, 0.95))
def test_divider_comes_close(ratio):
    upper, lower = best_divider(ratio, 22e3, E96)
    assert abs(lower / (lower + upper) - ratio) < 0.006
    assert 0.8 * 22e3 <= upper + lower <= 1.2 * 22e3


def test_no_part_of_nothing():
    with pytest.raises(ValueError, match="above zero"):
        nearest(0.0, E24)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700.0, "Ω", "4.7 kΩ"),
        (100e3, "Ω", "100 kΩ"),
        (1e6, "Ω", "1 MΩ"),
        (330.0, "Ω", "330 Ω"),
        (5490.0, "Ω", "5.49 kΩ"),
        (47e-12, "F", "47 pF"),
        (100e-9, "F", "100 nF"),
        (2.2e-9, "F", "2.2 nF"),
        (-0.0549, "V", "-54.9 mV"),
        (0.0, "V", "0 V"),
        (999.6, "Ω", "1000 Ω"),
    ],
)
def test_written(value, unit, text):
    assert written(value, unit) == text
