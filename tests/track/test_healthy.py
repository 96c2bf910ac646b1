"""Healthy signals: every tooth under its number, and no event."""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.track.teeth import Teeth
from toothwise.wheel import catalogue
from toothwise.wheel.pattern import Wheel

from tests.track.signals import FINE, MICRO, Shaft, Signal, as_made, said, signal, track

SPEEDS = {"60": (60.0, 0.0), "150 swinging": (150.0, 0.3), "800": (800.0, 0.03), "3000": (3000.0, 0.0),
          "9000": (9000.0, 0.0)}  # fmt: skip


def every_tooth(teeth: Teeth, made: Signal) -> None:
    """All teeth, in their order, by their leading edges or all by their trailing ones.

    Where a sensor switches at both and the pattern fits both, either may be taken for the timing edge.
    """
    assert not said(teeth.events)
    inside = [(t > 0.0) & (t < made.end_s) for t in (made.lead_s, made.trail_s)]
    marks = [np.rint(t[keep] / 1e-6).astype(np.int64)
             for t, keep in zip((made.lead_s, made.trail_s), inside, strict=True)]  # fmt: skip
    which = int(teeth.ticks[0] not in marks[0])
    np.testing.assert_array_equal(teeth.ticks, marks[which])
    place = made.place[inside[which]]
    n = made.wheel.teeth
    if made.wheel.symmetry == 1:
        place = np.arange(len(place))  # nothing marks a tooth: the first one recorded is tooth 1
    np.testing.assert_array_equal(teeth.tooth - 1, place % n)
    np.testing.assert_array_equal(teeth.revolution, np.maximum(place // n, -1))
    assert np.all(teeth.turning == teeth.turning[0])


@pytest.mark.parametrize("name", catalogue.NAMES)
def test_every_wheel_at_every_speed(name: str) -> None:
    wheel = catalogue.wheel(name)
    for number, (rpm, swing) in enumerate(SPEEDS.values()):
        made = signal(wheel, Shaft(-100.0).turn(rpm, 4.8, swing, 2.0, 0.4))
        every_tooth(track(made.edges(active=number % 2), wheel, until=made.until()), made)


@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "24-1", "12-1", "36-2-2-2", "36", "12+1", "4+1"])
def test_from_rest_to_6000_in_a_second_and_a_half(name: str) -> None:
    wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(-100.0).rest(0.4).ramp(0.0, 6000.0, 1.5).turn(6000.0, 5))
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    assert not said(teeth.events)
    as_made(teeth, made)


@pytest.mark.parametrize("name", ["60-2", "36-2", "12-1", "24"])
def test_tooth_errors_and_runout(name: str) -> None:
    """Errors up to 0.3° and runout up to 0.5°, at either resolution."""
    wheel = catalogue.wheel(name)
    rng = np.random.default_rng(len(name))
    error = rng.uniform(-0.3, 0.3, wheel.teeth) + 0.5 * np.sin(np.radians(wheel.angles_deg))
    error[0] = 0.0
    for clock in (MICRO, FINE):
        for rpm in (200.0, 4000.0):
            made = signal(wheel, Shaft(-30.0).turn(rpm, 8, 0.1 if rpm < 300 else 0.0), error_deg=error)
            teeth = track(made.edges(clock), wheel, clock, made.until(clock), level=1)
            assert not said(teeth.events)
            as_made(teeth, made, clock)


def test_the_edge_that_ends_each_tooth() -> None:
    """`back_ticks`: the trailing edge; -1 where the line has none before the next tooth."""
    wheel = catalogue.wheel("36-1")
    made = signal(wheel, Shaft(-55.0).turn(700, 5))
    made.trail_there[made.index(1, 7)] = False
    made.lead_there[made.index(1, 8)] = False
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    keep = made.lead_there & (made.lead_s > 0)
    want = np.where(made.trail_there, np.rint(np.minimum(made.trail_s, 1e6) / 1e-6), -1)[keep].astype(np.int64)
    at = int(np.flatnonzero(made.place[keep] == made.place[made.index(1, 7)])[0])
    want[at] = want[at] if want[at] >= 0 else round(made.trail_s[made.index(1, 8)] / 1e-6)
    np.testing.assert_array_equal(teeth.back_ticks, want)
    assert said(teeth.events) == [("missing", 1, 8, 1)]


@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "12-1", "24-2", "6-1", "36-2-2-2", "2-long-2-short"])
def test_the_timing_edge_found_or_given(name: str) -> None:
    """Told which edge marks a tooth, the tracker says what it says when it finds out for itself."""
    wheel: Wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(-100.0).turn(700.0, 6))
    found = track(made.edges(), wheel, until=made.until())
    given = track(made.edges(), wheel, until=made.until(), level=1)
    as_made(given, made)
    as_made(found, made)
