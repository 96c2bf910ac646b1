"""Signals in which the obvious reading is the wrong one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.edges.signal import Edges
from toothwise.track import timing
from toothwise.track.geometry import Geometry
from toothwise.wheel import catalogue

from tests.track.signals import MICRO, Shaft, as_made, said, signal, track


@pytest.mark.parametrize("rpm", [75.0, 400.0, 4000.0])
def test_an_extra_pulse_shortly_before_a_long_silence(rpm: float) -> None:
    """The last teeth before a stop may be spoilt by it; on a wheel that turned on evenly they are not."""
    wheel = catalogue.wheel("quarter-moon")
    made = signal(wheel, Shaft(-100.0).turn(rpm, 30)).without(14, 1, 5).with_pulses(10, 1, 0.6)
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    assert ("extra", 10, 1, 2) in said(teeth.events)
    assert {e.kind for e in teeth.events} <= {"extra", "missing", "silent", "stopped"}


@pytest.mark.parametrize("many", [1, 6])
@pytest.mark.parametrize("where", [0.03, 0.5])
def test_which_edge_marks_the_only_tooth_is_not_swayed_by_a_burst(many: int, where: float) -> None:
    wheel = catalogue.wheel("quarter-moon")
    made = signal(wheel, Shaft(-100.0).turn(300, 20), duty=0.25).with_pulses(4, 1, where, many, 0.004)
    for active in (0, 1):
        teeth = track(made.edges(active=active), wheel, until=made.until())
        assert said(teeth.events) == list(made.faults)
        as_made(teeth, made)


def test_the_crossing_in_the_slots_is_not_taken_for_the_teeth_though_it_is_the_smoother() -> None:
    """A variable-reluctance signal's other crossing evens the teeth' errors out, but spreads the gap over two steps."""
    wheel = catalogue.wheel("60-2")
    rng = np.random.default_rng(4)
    made = signal(wheel, Shaft(-100.0).turn(1100, 8), duty=0.5, error_deg=rng.uniform(-0.3, 0.3, wheel.teeth))
    even = signal(wheel, Shaft(-100.0).turn(1100, 8), duty=0.5)
    early = np.where(even.place % wheel.teeth == 0, 1.7 / (6 * 1100.0), 0.0)
    made = replace(made, trail_s=even.trail_s - early)
    for active in (0, 1):
        teeth = track(made.edges(active=active), wheel, until=made.until())
        assert said(teeth.events) == []
        as_made(teeth, made)


@pytest.mark.parametrize("name", ["60-2", "48-2", "36-1"])
@pytest.mark.parametrize("start_deg", [-5.9, -3.0, -100.0])
def test_the_edge_that_marks_a_tooth_does_not_depend_on_the_start(name: str, start_deg: float) -> None:
    """From a standstill the first level lasts longest, whichever it is."""
    wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(start_deg).ramp(0, 250, 0.3).turn(250, 6), duty=0.45)
    as_made(track(made.edges(), wheel, until=made.until()), made)


@pytest.mark.parametrize("active", [0, 1])
def test_a_close_pair_makes_no_gaps_of_all_the_other_steps(active: int) -> None:
    """From a standstill, where nothing but the pair itself tells which edge marks a tooth."""
    wheel = catalogue.wheel("36+1")
    made = signal(wheel, Shaft(-100.0).ramp(0, 3000, 1.0), duty=0.45)
    edges = made.edges(active=active)
    apart = [edges.ticks[edges.levels == level] for level in (0, 1)]
    found = [timing._errors(ticks, Geometry(wheel)) for ticks in apart]
    assert timing._bent_more(apart, found, Geometry(wheel)) is None
    assert said(track(edges, wheel, until=made.until()).events) == []


@pytest.mark.parametrize("name", ["4", "6", "8"])
@pytest.mark.parametrize("turn", [2, 3, 5])
def test_a_tooth_lost_in_the_first_turns_of_a_swinging_wheel(name: str, turn: int) -> None:
    """Teeth that look alike, and a swing that makes one of them look twice as long: what the first turns teach must not
    be spoilt by the fault that is in them."""
    wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(-20.0).turn(160, 14, 0.25, 1.5, 0.7)).without(turn, 2)
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    assert said(teeth.events) == list(made.faults)
    as_made(teeth, made)


@pytest.mark.parametrize("level", [0, 1])
def test_a_cluster_of_contacts_is_one_whichever_edge_marks_a_tooth(level: int) -> None:
    wheel = catalogue.wheel("36-1")
    times = np.concatenate([at + np.array([0.0, 0.0005, 0.0021, 0.0030]) for at in (1.0, 2.0, 3.5)])
    edges = Edges(np.rint(times / 1e-6).astype(np.int64), np.tile(np.array([1, 0], np.uint8), 6))
    teeth = track(edges, wheel, MICRO, 5_000_000, level=level)
    assert [(e.kind, e.tick, e.count) for e in teeth.events] == [
        ("contact", at, 4) for at in (1_000_000, 2_000_000, 3_500_000)
    ]


def test_the_level_of_a_lost_tooth_is_the_one_the_line_had_when_it_was_due() -> None:
    """Between two teeth close together the line rests for longer at the level of neither."""
    wheel = catalogue.wheel("12+1")
    for held in (False, True):
        made = signal(wheel, Shaft(-100.0).turn(500, 10), duty=0.4).without(3, 1, held=held)
        teeth = track(made.edges(), wheel, until=made.until(), level=1)
        assert said(teeth.events) == list(made.faults)
        assert [e.level for e in teeth.events] == [int(held)]


@pytest.mark.parametrize("cut", [False, True])
def test_a_stray_pulse_in_a_silence_is_no_tooth_of_what_comes_after_it(cut: bool) -> None:
    """Taken for the first tooth it leaves a first step so long that no tooth after it fits."""
    wheel = catalogue.wheel("36-2")
    made = signal(wheel, Shaft(-100.0).turn(1500, 30)).without(5, 3, 5 * wheel.teeth)
    edges = made.edges()
    gap = int(np.argmax(np.diff(edges.ticks)))
    stray = edges.ticks[gap] + 3 * (edges.ticks[gap + 1] - edges.ticks[gap]) // 8 + np.array([0, 30])
    level = edges.levels[gap]
    line = Edges(
        np.insert(edges.ticks, gap + 1, stray), np.insert(edges.levels, gap + 1, [1 - level, level]).astype(np.uint8)
    )
    teeth = track(line, wheel, until=made.until(), level=1, cuts=range(1, len(line)) if cut else ())
    assert {e.kind for e in teeth.events} <= {"missing", "silent", "contact", "extra"}
    seen = made.seen()[0]
    assert set(seen[-20 * wheel.teeth :].tolist()) <= set(teeth.ticks.tolist())
