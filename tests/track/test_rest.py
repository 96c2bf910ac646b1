"""A wheel that stops, a line that dies, and a line that moves while nothing turns."""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.edges.signal import Edges
from toothwise.wheel import catalogue

from tests.campaign.cases import Spec, build
from tests.track.signals import FINE, MICRO, Shaft, as_made, said, signal, track


@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "24-1", "12-1", "36", "36-2-2-2", "12+1", "4+1"])
def test_stop_and_restart(name: str) -> None:
    """`stopped` once where the wheel rests between, and nothing else; teeth are numbered on."""
    wheel = catalogue.wheel(name)
    shaft = Shaft(-100.0).rest(0.2).ramp(0, 700, 0.7).turn(700, 4).ramp(700, 0, 1.1).rest(2.0)
    stop_s = shaft.end_s - 2.0
    made = signal(wheel, shaft.ramp(0, 700, 0.8).turn(700, 4))
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    assert [e.kind for e in teeth.events] == ["stopped"]
    (event,) = teeth.events
    ticks, place = made.seen()
    np.testing.assert_array_equal(teeth.ticks, ticks)
    # The tooth due when it stopped may lie anywhere between the last seen and the end of rest.
    last = int(np.searchsorted(ticks, stop_s / 1e-6)) - 1
    assert ticks[last] < event.tick <= event.end_tick <= ticks[last + 1]
    n = wheel.teeth
    if wheel.symmetry == n:
        np.testing.assert_array_equal(teeth.tooth - 1, place % n)
    before = ticks < stop_s / 1e-6
    np.testing.assert_array_equal(teeth.revolution[before], np.maximum(place[before] // n, -1))
    assert len(set(teeth.turning[before])) == len(set(teeth.turning[~before])) == 1
    assert teeth.turning[0] != teeth.turning[-1]


def test_a_stop_at_the_end_of_the_recording() -> None:
    wheel = catalogue.wheel("60-2")
    made = signal(wheel, Shaft(-100.0).turn(700, 4).ramp(700, 0, 1.1), end_s=3.0)
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    assert [e.kind for e in teeth.events] == ["stopped"]
    as_made(teeth, made)


def test_an_end_while_turning_is_no_event() -> None:
    wheel = catalogue.wheel("60-2")
    made = signal(wheel, Shaft(-100.0).turn(700, 4))
    assert not track(made.edges(), wheel, until=made.until(), level=1).events


@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "24-1", "48-2", "30-1", "36-2-2-2"])
@pytest.mark.parametrize("held", [False, True])
def test_line_dead_for_three_turns_at_idle(name: str, held: bool) -> None:
    """Its return at speed proves that the wheel turned: missing and silent, with the teeth counted through."""
    wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(-100.0).turn(800, 12, 0.02))
    made = made.without(4, 5, 3 * wheel.teeth + 2, held=held)
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    lost = 3 * wheel.teeth + 2
    assert sorted(said(teeth.events)) == [("missing", 4, 5, lost), ("silent", 4, 5, lost)]
    assert {e.level for e in teeth.events} == {int(held)}
    as_made(teeth, made)


def test_line_dead_for_good() -> None:
    """A wheel at speed can't have stopped within a tooth: the line went silent, once."""
    wheel = catalogue.wheel("60-2")
    made = signal(wheel, Shaft(-100.0).turn(800, 6), end_s=4.0)
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    assert [e.kind for e in teeth.events] == ["silent"]
    as_made(teeth, made)


def test_line_dead_while_the_wheel_stops_and_starts() -> None:
    """It went silent at speed and came back from rest: silent, and nothing counted through."""
    wheel = catalogue.wheel("60-2")
    shaft = Shaft(-100.0).turn(800, 6)
    dead_s = shaft.end_s
    made = signal(wheel, shaft.turn(800, 2).ramp(800, 0, 0.8).rest(1.0).ramp(0, 300, 0.5).turn(300, 3))
    gone = (made.lead_s > dead_s) & (made.lead_s < dead_s + 2.0)
    made.lead_there[gone] = made.trail_there[gone] = False
    teeth = track(made.edges(), wheel, until=made.until(), level=1)
    assert [e.kind for e in teeth.events] == ["silent"]
    ticks, place = made.seen()
    np.testing.assert_array_equal(teeth.ticks, ticks)
    np.testing.assert_array_equal(teeth.tooth - 1, place % wheel.teeth)


def chatter(rng: np.random.Generator, at_s: float, many: int) -> np.ndarray:
    """Times of so many level changes within a few milliseconds."""
    return at_s + np.sort(rng.uniform(0.0, 0.004, many))


@pytest.mark.parametrize("name", ["60-2", "36-1", "12-1", "36", "6-1"])
@pytest.mark.parametrize("seed", range(4))
def test_noise_with_nothing_turning(name: str, seed: int) -> None:
    """Contact events that hold every level change, no tooth, and nothing else."""
    rng = np.random.default_rng(seed)
    times = np.concatenate([chatter(rng, at, 2 * int(rng.integers(1, 6))) for at in np.cumsum(rng.uniform(0.3, 3, 8))])
    ticks = np.unique(np.rint(times / 1e-6).astype(np.int64))
    ticks = ticks[: len(ticks) // 2 * 2]
    edges = Edges(ticks, np.tile(np.array([1, 0], np.uint8), len(ticks) // 2))
    teeth = track(edges, catalogue.wheel(name), MICRO, int(ticks[-1]) + 3_000_000)
    assert {e.kind for e in teeth.events} == {"contact"}
    assert len(teeth) == 0
    assert sum(e.count for e in teeth.events) == len(ticks)
    starts = ticks[np.flatnonzero(np.diff(ticks, prepend=-1_000_000) > 100_000)]
    np.testing.assert_array_equal([e.tick for e in teeth.events], starts)


@pytest.mark.parametrize("start_deg", [-100.0, -98.0])
def test_noise_and_then_a_start(start_deg: float) -> None:
    """The wheel rests with a tooth under the sensor, or without."""
    wheel = catalogue.wheel("60-2")
    made = signal(wheel, Shaft(start_deg).rest(3.0).ramp(0, 250, 0.4).turn(250, 4))
    noise = np.rint(chatter(np.random.default_rng(1), 1.0, 6) / 1e-6).astype(np.int64)
    plain = made.edges()
    there = 1 - int(plain.levels[0])  # what the line holds at rest
    levels = np.concatenate([np.tile([1 - there, there], 3), plain.levels]).astype(np.uint8)
    teeth = track(Edges(np.concatenate([noise, plain.ticks]), levels), wheel, until=made.until(), level=1)
    assert [(e.kind, e.count) for e in teeth.events] == [("contact", 6)]
    as_made(teeth, made)


@pytest.mark.timeout(60)  # a guard against a hang, no measure of speed
@pytest.mark.parametrize("name", ["60-2", "36-1"])
def test_a_burst_of_a_megahertz(name: str) -> None:
    """Four thousand level changes a microsecond apart within one tooth's pitch: told as extra, every one of them,
    and the teeth are counted on."""
    wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(-100.0).turn(120, 6))
    tooth = made.index(2, 9)
    begin = round((made.trail_s[tooth] + 0.1 * (made.lead_s[tooth + 1] - made.trail_s[tooth])) / 1e-6)
    burst = begin + np.arange(4000)
    assert burst[-1] < made.lead_s[tooth + 1] / 1e-6
    plain = made.edges()
    at = int(np.searchsorted(plain.ticks, begin))
    levels = np.insert(plain.levels, at, np.tile(np.array([1, 0], np.uint8), 2000))
    edges = Edges(np.insert(plain.ticks, at, burst), levels)
    teeth = track(edges, wheel, until=made.until(), level=1)
    assert {e.kind for e in teeth.events} == {"extra"}
    assert sum(e.count for e in teeth.events) == 4000
    place = made.seen()[1]
    np.testing.assert_array_equal(teeth.tooth - 1, place % wheel.teeth)
    np.testing.assert_array_equal(teeth.revolution, np.maximum(place // wheel.teeth, -1))


def test_a_start_still_owed_does_not_hide_the_path_that_owes_nothing() -> None:
    """A made engine that stops and starts again, at a place where an explanation that had yet to pay for its start was
    the cheaper one for a while."""
    case = build(Spec("healthy", "36-2", "stop and restart", 1_100_000, 4))
    recording = case.made.recording
    teeth = track(recording.edges["crank"], case.wheel, recording.clock, recording.until_tick)
    assert [e.kind for e in teeth.events] == ["stopped"] * case.stops


@pytest.mark.parametrize("start_deg", [-260.0, -200.0, -150.0])
@pytest.mark.parametrize("name", ["60-2", "48-1", "36-1"])
def test_a_rest_before_the_first_gap_is_one(name: str, start_deg: float) -> None:
    """No number is known yet: the many ways to count across the silence do not take the place of the rest."""
    wheel = catalogue.wheel(name)
    shaft = Shaft(start_deg).ramp(75, 45, 0.35).rest(0.7).ramp(30, 250, 0.5).turn(250, 4)
    made = signal(wheel, shaft)
    teeth = track(made.edges(FINE), wheel, FINE, made.until(FINE))
    assert [e.kind for e in teeth.events] == ["stopped"]
