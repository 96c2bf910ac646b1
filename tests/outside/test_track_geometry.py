"""Wheel geometry and speeds of the trade, recomputed, and the tracker held against them."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from toothwise.edges.signal import Clock, Edges
from toothwise.track.tracker import Tracker
from toothwise.wheel import catalogue

MICRO = Clock(1000.0)


def fractions(steps: np.ndarray) -> np.ndarray:
    """Middle of three intervals against their sum, round the wheel: the gap test of US 6,498,980 (2002) [S]."""
    return steps / (np.roll(steps, 1) + steps + np.roll(steps, -1))


HALF, THREE_FIFTHS = Fraction(1, 2), Fraction(3, 5)


@pytest.mark.parametrize(
    ("name", "at_gap"),
    [("60-2", THREE_FIFTHS), ("36-2", THREE_FIFTHS), ("24-2", THREE_FIFTHS), ("36-1", HALF), ("12-1", HALF),
     ("48-1", HALF), ("36", None)],
)  # fmt: skip
def test_gap_fraction(name: str, at_gap: Fraction | None) -> None:
    """The fraction: US 6,498,980 (2002) [S]. Its values at steady speed, derived [D]: 1/3 at a plain tooth,
    (M+1)/(M+3) at an N-M gap, which is 1/2 for M = 1 and 3/5 for M = 2."""
    wheel = catalogue.wheel(name)
    found = fractions(wheel.steps_deg)
    if at_gap is None:
        assert found == pytest.approx(np.full(len(found), 1 / 3))
        return
    missing = int(name.split("-")[1])
    assert at_gap == Fraction(missing + 1, missing + 3)
    gaps = wheel.steps_deg > 1.5 * wheel.pitch_deg
    assert found[gaps] == pytest.approx(np.full(gaps.sum(), float(at_gap)))
    beside = np.roll(gaps, 1) | np.roll(gaps, -1)
    plain = ~gaps & ~beside
    assert found[plain] == pytest.approx(np.full(plain.sum(), 1 / 3))


LOW_RPM, HIGH_RPM = 85.0, 225.0
"""One published high-compression V8 cranking, seen on trade pages [T]."""

# Derived [D]: firing interval, pitch, then (lowest, highest) of the ratio of an interval to the one before it:
# plain tooth, N-1 gap, N-2 gap.
RATIOS = [
    (90.0, 6.0, (0.88, 1.14), (1.65, 2.43), (2.31, 3.89)),
    (90.0, 10.0, (0.81, 1.24), (1.45, 2.77), (1.95, 4.62)),
    (90.0, 30.0, (0.52, 1.91), (0.76, 5.3), (0.82, 11.0)),
    (180.0, 30.0, (0.72, 1.38), (1.23, 3.25), (1.57, 5.74)),
]


def swinging_ratio(half_deg: float, pitch: float, pitches: int, rising: bool) -> float:
    """An interval of so many pitches over the one pitch before it, the speed going exponentially with the angle from
    85 to 225 rpm (or back) over `half_deg`."""
    growth = np.log(HIGH_RPM / LOW_RPM) / half_deg * (1 if rising else -1)
    first, both = -np.expm1(-growth * pitch), -np.expm1(-growth * pitch * (1 + pitches))
    return float(both / first) - 1.0


@pytest.mark.parametrize(("firing", "pitch", "plain", "one", "two"), RATIOS)
def test_ratios_of_neighbours_while_cranking(
    firing: float, pitch: float, plain: tuple[float, float], one: tuple[float, float], two: tuple[float, float]
) -> None:
    """The table above, recomputed from the exponential 85 to 225 rpm over half a firing interval. It
    takes each interval's speed at its middle; the integral lies close by, the further the longer the gap is."""
    growth = np.log(HIGH_RPM / LOW_RPM) / (firing / 2)
    for pitches, ends in ((1, plain), (2, one), (3, two)):
        for rising, value in zip((True, False), ends, strict=True):
            apart = pitch * (1 + pitches) / 2
            middle = pitches * float(np.exp(-growth * apart if rising else growth * apart))
            assert middle == pytest.approx(value, abs=0.0051 if value < 5 else 0.05 if value < 10 else 0.5)
            exact = swinging_ratio(firing / 2, pitch, pitches, rising)
            assert exact == pytest.approx(middle, rel=0.1 * (pitches - 1) + 1e-9)


def test_a_ratio_alone_fails_where_teeth_are_few() -> None:
    """With 30 degrees of pitch a plain tooth's ratio reaches beyond a gap's [D]; with 6 degrees it never does."""
    assert swinging_ratio(45.0, 30.0, 1, False) > swinging_ratio(45.0, 30.0, 2, True)
    assert swinging_ratio(45.0, 6.0, 1, False) < swinging_ratio(45.0, 6.0, 2, True)


def steady(angles_deg: np.ndarray, rpm: float) -> np.ndarray:
    """Ticks of 1 µs at which these angles pass."""
    return np.rint(angles_deg / (6.0 * rpm) / 1e-6).astype(np.int64)


@pytest.mark.parametrize(("name", "medium"), [("60-2", 2.0), ("36-2", 2.0), ("24-2", 2.0), ("36-1", 1.5), ("48-1", 1.5),
                                              ("12-1", 1.5)])  # fmt: skip
def test_reversed_polarity(name: str, medium: float) -> None:
    """Of a variable-reluctance sensor [D]: the timing edge sits on slot centres, so the one long interval becomes two
    medium ones; the count stays; the angle moves by half a pitch. The tracker takes the other edge then, counts every
    tooth and tells no fault."""
    wheel = catalogue.wheel(name)
    turns = np.arange(8) * 360.0
    centres = (turns[:, None] + np.array(wheel.angles_deg)).ravel()
    between = centres + np.tile(wheel.steps_deg, 8) / 2
    long = np.diff(between) / wheel.pitch_deg
    assert len(between) == len(centres)
    per_turn = long[: wheel.teeth]
    assert per_turn[per_turn > 1.2] == pytest.approx([medium, medium])
    assert per_turn[per_turn < 1.2] == pytest.approx(np.ones(wheel.teeth - 2))
    assert between[1] - centres[1] == pytest.approx(wheel.pitch_deg / 2)
    assert medium == pytest.approx((1 + (int(name.split("-")[1]) + 1)) / 2)

    for tooth_level in (1, 0):
        times = np.concatenate([steady(centres + 100.0, 700), steady(between + 100.0, 700)])
        levels = np.repeat([tooth_level, 1 - tooth_level], len(centres)).astype(np.uint8)
        order = np.argsort(times)
        tracker = Tracker(wheel, MICRO)
        edges = Edges(times[order], levels[order])
        told = [tracker.feed(edges, int(edges.ticks[-1])), tracker.finish(int(edges.ticks[-1]))]
        assert tracker.timing_level == tooth_level
        assert not [e for part in told for e in part.events]
        np.testing.assert_array_equal(np.concatenate([p.ticks for p in told]), np.sort(times[: len(centres)]))


@pytest.mark.parametrize("rpm", [150, 700, 6500, 8000])
def test_with_sixty_slots_hertz_is_rpm(rpm: int) -> None:
    """f = rpm·N/60 [D]: a full ring of 60 gives as many teeth in a second as turns in a minute; the tracker counts
    them."""
    wheel = catalogue.wheel("60")
    ticks = steady(np.arange(-40, rpm + 60) * 6.0 + 260.0, rpm)
    tracker = Tracker(wheel, MICRO, timing_level=1)
    parts = [tracker.feed(Edges(ticks, np.ones(len(ticks), np.uint8)), int(ticks[-1])), tracker.finish(int(ticks[-1]))]
    teeth = np.concatenate([p.ticks for p in parts])
    first = teeth[20]
    assert int(np.sum((teeth >= first) & (teeth < first + 1_000_000))) == pytest.approx(rpm, abs=1)
    assert not [e for part in parts for e in part.events]


# Derived [D]: rpm, tooth at 60 slots and gap of 60-2 in µs, degrees in 1 µs.
TIMES = [(150, 6667, 20000, 0.0009), (700, 1429, 4286, 0.0042), (6500, 154, 462, 0.039), (8000, 125, 375, 0.048)]


@pytest.mark.parametrize(("rpm", "tooth_us", "gap_us", "deg"), TIMES)
def test_times_of_a_tooth(rpm: int, tooth_us: int, gap_us: int, deg: float) -> None:
    """10⁶/rpm µs a tooth at 60 slots, three times that at the gap, 6·rpm degrees a second [D]."""
    wheel = catalogue.wheel("60-2")
    us_per_deg = 1e6 / (6 * rpm)
    assert round(1e6 / rpm) == tooth_us == round(wheel.pitch_deg * us_per_deg)
    assert round(float(wheel.steps_deg[-1]) * us_per_deg) == gap_us
    assert 6 * rpm * 1e-6 == pytest.approx(deg, abs=10 ** -len(str(deg).split(".")[1]))
