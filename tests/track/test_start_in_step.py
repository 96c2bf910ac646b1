"""A start beyond doubt is taken at once: it must be what the careful tracker says of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from toothwise.edges.signal import Blind, Clock, Edges
from toothwise.track.geometry import Geometry
from toothwise.track.steady import Steady
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker
from toothwise.wheel import catalogue
from toothwise.wheel.pattern import Wheel

from tests.track.signals import FINE, MICRO, Shaft, Signal, joined, same, signal, track

MANY_TEETH = [w.name for w in map(catalogue.wheel, catalogue.NAMES) if w.teeth > 24 and w.symmetry > 1]
some = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def carefully(edges: Edges, made: Signal, clock: Clock, until: int, **more: object) -> Teeth:
    """The same by the careful tracker from the first edge on."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Steady, "first", lambda *_: None)
        return track(edges, made.wheel, clock, until, **more)


def taken(edges: Edges, wheel: Wheel) -> bool:
    """Whether the start of these edges is taken at once, whichever level marks the teeth."""
    steady, found = Steady(Geometry(wheel)), []
    for level in (0, 1):
        ticks = edges.ticks[edges.levels == level][: steady.first_wanted + 1]
        assert len(ticks) == steady.first_wanted + 1
        found.append(steady.first(ticks) is not None)
    return any(found)


@st.composite
def starts(draw: st.DrawFn) -> Signal:
    """Three turns and a half, from any tooth on, with a fault in the first turn or the second, or with none."""
    wheel = catalogue.wheel(draw(st.sampled_from(MANY_TEETH)))
    rpm = draw(st.sampled_from((190.0, 420.0, 800.0, 2500.0, 6500.0, 12_000.0)))
    shaft = Shaft(draw(st.floats(-359.0, -1.0))).turn(
        rpm, 3.5, 0.1 if rpm < 300 else 0.02, 2.0, draw(st.floats(0, 6.28))
    )
    made = signal(wheel, shaft, error_deg=np.array(draw(st.lists(st.floats(-0.3, 0.3), min_size=wheel.teeth,
                                                                 max_size=wheel.teeth))))  # fmt: skip
    turn, tooth = draw(st.integers(0, 1)), draw(st.integers(2, wheel.teeth - 1))
    kind = draw(st.sampled_from(("none", "missing", "held", "extra", "burst")))
    if kind in ("missing", "held"):
        return made.without(turn, tooth, draw(st.integers(1, 4)), held=kind == "held")
    if kind in ("extra", "burst"):
        return made.with_pulses(turn, tooth, 0.6, many=1 if kind == "extra" else 3)
    return made


@some
@given(starts(), st.sampled_from((FINE, MICRO)))
def test_as_the_careful_tracker(made: Signal, clock: Clock) -> None:
    edges, until = made.edges(clock), made.until(clock)
    same(track(edges, made.wheel, clock, until), carefully(edges, made, clock, until))


@pytest.mark.parametrize("name", MANY_TEETH)
@pytest.mark.parametrize("start", [-350.0, -181.0, -3.0])
def test_a_healthy_start_is_taken(name: str, start: float) -> None:
    made = signal(catalogue.wheel(name), Shaft(start).turn(800, 3.5, 0.02))
    assert taken(made.edges(FINE), made.wheel)


@pytest.mark.parametrize("name", MANY_TEETH)
def test_another_wheel_turns(name: str) -> None:
    """A wheel that isn't the one which is followed may look like it for a turn; but no longer than it did."""
    wheel = catalogue.wheel(name)
    for other in MANY_TEETH:
        turning = signal(catalogue.wheel(other), Shaft(-100.0).turn(800, 2.5, 0.02))
        made, until = replace(turning, wheel=wheel), turning.until(FINE)
        edges = turning.edges(FINE)
        same(track(edges, wheel, FINE, until), carefully(edges, made, FINE, until))


def test_a_fault_in_the_first_turn_is_not_taken() -> None:
    made = signal(catalogue.wheel("60-2"), Shaft(-100.0).turn(800, 3.5))
    assert not taken(made.without(0, 40).edges(FINE), made.wheel)


def test_a_blind_first_turn_is_not_taken() -> None:
    """What is not known of the first turn is for the careful tracker, and comes out as it says."""
    made = signal(catalogue.wheel("60-2"), Shaft(-100.0).turn(800, 4.5))
    edges, until = made.edges(FINE), made.until(FINE)
    blind = [Blind(int(edges.ticks[30]), int(edges.ticks[52]), "test")]
    answers = []
    for first in (Steady.first, lambda *_: None):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Steady, "first", first)
            tracker = Tracker(made.wheel, FINE)
            answers.append(joined([tracker.feed(edges, until, blind), tracker.finish(until)]))
    same(*answers)
    assert not answers[0].events
