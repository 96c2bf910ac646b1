"""A wheel as angles: what it counts, what repeats, where it is empty, and what is no wheel."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.wheel import catalogue
from toothwise.wheel.pattern import Wheel

# All from memory [M]: pulses, pitch, gap interval; recomputed below from N and M.
TABLE = [
    ("60-2", 58, 6.0, 18.0),
    ("36-1", 35, 10.0, 20.0),
    ("36-2", 34, 10.0, 30.0),
    ("24-1", 23, 15.0, 30.0),
    ("24-2", 22, 15.0, 45.0),
    ("12-1", 11, 30.0, 60.0),
    ("48-1", 47, 7.5, 15.0),
    ("48-2", 46, 7.5, 22.5),
]


@pytest.mark.parametrize(("name", "pulses", "pitch", "gap"), TABLE)
def test_the_table_of_the_trade(name: str, pulses: int, pitch: float, gap: float) -> None:
    slots, left_out = map(int, name.split("-"))
    assert (pulses, pitch, gap) == (slots - left_out, 360 / slots, (left_out + 1) * 360 / slots)
    wheel = catalogue.wheel(name)
    assert wheel.teeth == pulses
    assert wheel.pitch_deg == pytest.approx(pitch)
    assert wheel.steps_deg[-1] == pytest.approx(gap)
    assert wheel.steps_deg[:-1] == pytest.approx(np.full(pulses - 1, pitch))


@settings(max_examples=60, deadline=None)
@given(st.integers(3, 200), st.data())
def test_any_n_minus_m(slots: int, data: st.DataObject) -> None:
    left_out = data.draw(st.integers(1, min(slots - 2, 99)))
    wheel = catalogue.wheel(f"{slots}-{left_out}")
    assert wheel.teeth == slots - left_out
    assert wheel.steps_deg.sum() == pytest.approx(360)
    assert wheel.steps_deg.max() == pytest.approx((left_out + 1) * 360 / slots)
    assert wheel.gaps == [list(range(slots - left_out + 1, slots + 1))]
    assert wheel.symmetry == wheel.teeth


@pytest.mark.parametrize(
    ("name", "symmetry"),
    [("60-2", 58), ("12-1", 11), ("36-2-2-2", 30), ("36", 1), ("3", 1), ("6+1", 7), ("24-wide-narrow", 1),
     ("half-moon", 1), ("2-long-2-short", 4)],
)  # fmt: skip
def test_what_repeats_within_a_turn(name: str, symmetry: int) -> None:
    assert catalogue.wheel(name).symmetry == symmetry


def test_widths_can_break_a_symmetry() -> None:
    even = (0.0, 90.0, 180.0, 270.0)
    assert Wheel("w", even, 4, widths_deg=(30.0, 20.0, 30.0, 20.0)).symmetry == 2
    assert Wheel("w", even, 4, widths_deg=(30.0,) * 4).symmetry == 1
    assert Wheel("w", (0.0, 10.0, 180.0, 190.0), 36).symmetry == 2


@pytest.mark.parametrize(
    ("name", "gaps"),
    [("60-2", [[59, 60]]), ("36-1", [[36]]), ("36", []), ("half-moon", []), ("6+1", []),
     ("36-2-2-2", [[17, 18], [32, 33], [35, 36]])],
)  # fmt: skip
def test_empty_slots(name: str, gaps: list[list[int]]) -> None:
    assert catalogue.wheel(name).gaps == gaps


def test_three_double_gaps() -> None:
    """36-2-2-2: 30 teeth, three gaps of two slots, unevenly placed (from memory)."""
    wheel = catalogue.wheel("36-2-2-2")
    assert wheel.teeth == 30
    assert sorted(np.round(wheel.steps_deg))[-3:] == [30, 30, 30]
    between = np.diff([i for i, step in enumerate(wheel.steps_deg) if step > 20], append=30 + 15)
    assert len(set(between.tolist())) == 3


@pytest.mark.parametrize(("even", "close"), [(6, 10.0), (4, 10.0), (3, 10.0), (12, 10.0), (36, 5.0)])
def test_even_and_one_more(even: int, close: float) -> None:
    """N+1: even teeth and another 10 degrees from one of them, seen on trade pages [T]; half a pitch where that
    leaves no room (ours)."""
    wheel = catalogue.wheel(f"{even}+1")
    assert wheel.teeth == even + 1
    assert wheel.steps_deg[-1] == pytest.approx(close)
    assert wheel.steps_deg[0] == pytest.approx(360 / even - close)
    assert wheel.steps_deg[1:-1] == pytest.approx(np.full(even - 1, 360 / even))


def test_wide_and_narrow() -> None:
    """One timing edge every 15 degrees; widths carry a code, so nothing may be concluded from them (from memory)."""
    wheel = catalogue.wheel("24-wide-narrow")
    assert wheel.steps_deg == pytest.approx(np.full(24, 15.0))
    assert wheel.widths_carry_code


def test_cam_wheels() -> None:
    """From memory: half-moon high for 180 degrees of cam, quarter-moon for 90; two long teeth and two short."""
    assert catalogue.wheel("half-moon").widths_deg == (180.0,)
    assert catalogue.wheel("quarter-moon").widths_deg == (90.0,)
    widths = catalogue.wheel("2-long-2-short").widths_deg
    assert widths is not None
    assert len(set(widths)) == 2
    assert sorted(widths)[1] < sorted(widths)[2]


@pytest.mark.parametrize("name", catalogue.NAMES)
def test_every_wheel_of_the_catalogue_is_whole(name: str) -> None:
    """Tooth 1 stands after a longest gap where there is one; the steps make one turn; widths fit the steps."""
    wheel = catalogue.wheel(name)
    assert wheel.name == name
    assert wheel.steps_deg.sum() == pytest.approx(wheel.turn_deg)
    assert wheel.steps_deg.min() > 0
    if wheel.gaps and name != "36-2-2-2":
        assert wheel.steps_deg[-1] == pytest.approx(wheel.steps_deg.max())
    if wheel.widths_deg is not None:
        assert all(0 < w < s for w, s in zip(wheel.widths_deg, wheel.steps_deg, strict=True))


def test_names_are_their_own() -> None:
    assert len(set(catalogue.NAMES)) == len(catalogue.NAMES)
    shapes = [(tuple(np.round(w.steps_deg, 6)), w.widths_deg, w.widths_carry_code)
              for w in map(catalogue.wheel, catalogue.NAMES)]  # fmt: skip
    assert len(set(shapes)) == len(shapes)


@pytest.mark.parametrize(
    "angles", [(), (1.0, 2.0), (0.0, 5.0, 5.0), (0.0, 9.0, 3.0), (0.0, 360.0), (0.0, -1.0)]
)  # fmt: skip
def test_angles_that_are_no_wheel(angles: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="wheel odd"):
        Wheel("odd", angles, 4)
    with pytest.raises(ValueError, match="one width a tooth"):
        Wheel("odd", (0.0, 9.0), 4, widths_deg=(1.0,))


def test_two_turns_of_the_crank() -> None:
    wheel = Wheel("cam", (0.0, 100.0, 400.0), 3, turn_deg=720.0)
    assert wheel.steps_deg == pytest.approx([100.0, 300.0, 320.0])
    assert wheel.pitch_deg == 240.0
