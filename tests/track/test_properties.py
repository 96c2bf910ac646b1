"""What must hold for any recording: however it is cut, scaled, turned, inverted or shifted, with any fault in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from toothwise.edges.signal import Blind, Clock, Edges
from toothwise.track.tracker import Tracker
from toothwise.wheel import catalogue

from tests.track.signals import FINE, MICRO, Shaft, Signal, as_made, joined, said, same, signal, track

modest = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
few = settings(modest, max_examples=6)
MANY_TEETH = ("60-2", "36-1", "36-2", "48-2", "30-1", "36-2-2-2")
SOME = st.sampled_from((*MANY_TEETH, "24-1", "12-1", "36", "12+1"))
KINDS = st.sampled_from(("none", "missing", "held", "extra", "burst", "dead", "stop"))
CLOCKS = st.sampled_from((FINE, MICRO))


@st.composite
def recordings(draw: st.DrawFn, names: st.SearchStrategy[str] = SOME, kinds: st.SearchStrategy[str] = KINDS,
               turns: int = 5) -> Signal:  # fmt: skip
    """A healthy signal or one with a fault of some kind in its third turn."""
    wheel = catalogue.wheel(draw(names))
    rpm = draw(st.sampled_from((190.0, 420.0, 800.0, 2500.0, 6500.0)))
    kind = draw(kinds)
    rpm = min(rpm, 800.0) if kind == "stop" else rpm  # from full speed it takes a thousand turns to stop
    swing = 0.1 if rpm < 300 else 0.02
    shaft = Shaft(draw(st.floats(-359.0, -1.0))).turn(rpm, turns, swing, 2.0, draw(st.floats(0.0, 6.28)))
    if kind == "stop":
        shaft.ramp(rpm, 0.0, rpm / 500).rest(1.5).ramp(0.0, 600.0, 1.2)
    made = signal(wheel, shaft)
    tooth = draw(st.integers(2, wheel.teeth - 1))
    if kind in ("missing", "held"):
        return made.without(2, tooth, draw(st.integers(1, max(1, wheel.teeth // 4))), held=kind == "held")
    if kind in ("extra", "burst"):
        return made.with_pulses(2, tooth, 0.6, many=1 if kind == "extra" else draw(st.integers(2, 4)))
    if kind == "dead":
        return made.without(2, tooth, wheel.teeth * 5 // 4)
    return made


# however the stream is cut


@few
@given(recordings(turns=4), CLOCKS, st.data())
def test_any_cut(made: Signal, clock: Clock, data: st.DataObject) -> None:
    edges = made.edges(clock)
    whole = track(edges, made.wheel, clock, made.until(clock))
    cuts = data.draw(st.lists(st.integers(0, len(edges)), max_size=6))
    same(track(edges, made.wheel, clock, made.until(clock), cuts=cuts), whole)


@few
@given(recordings(names=st.sampled_from((*MANY_TEETH, "36")), turns=4), CLOCKS)
def test_edge_by_edge(made: Signal, clock: Clock) -> None:
    edges = made.edges(clock)
    whole = track(edges, made.wheel, clock, made.until(clock))
    same(track(edges, made.wheel, clock, made.until(clock), cuts=range(1, len(edges))), whole)


def test_few_teeth_edge_by_edge() -> None:
    made = signal(catalogue.wheel("12-1"), Shaft(-50.0).turn(700, 5)).without(2, 5)
    edges = made.edges()
    whole = track(edges, made.wheel, until=made.until())
    assert said(whole.events) == list(made.faults)
    same(track(edges, made.wheel, until=made.until(), cuts=range(1, len(edges))), whole)


@few
@given(recordings(names=st.sampled_from((*MANY_TEETH, "36")), turns=4), st.data())
def test_silence_known_early(made: Signal, data: st.DataObject) -> None:
    """Word that the line is known beyond its last edge, with no edges, changes nothing."""
    edges, until = made.edges(), made.until()
    whole = track(edges, made.wheel, until=until)
    tracker, parts = Tracker(made.wheel, MICRO), []
    cuts = sorted(data.draw(st.lists(st.integers(1, len(edges) - 1), max_size=8)))
    for a, b in zip([0, *cuts], [*cuts, len(edges)], strict=True):
        upto = int(edges.ticks[b]) if b < len(edges) else until
        last = int(edges.ticks[b - 1])
        parts.append(tracker.feed(Edges(edges.ticks[a:b], edges.levels[a:b]), last + 1))
        for share in (0.3, 0.9, 1.0):
            parts.append(tracker.feed(Edges.none(), max(last + int(share * (upto - last)), last + 1)))
    parts.append(tracker.finish(until))
    same(joined(parts), whole)


def test_a_cut_at_every_edge_of_a_fault() -> None:
    """Every single place to cut around a fault, one after another."""
    made = signal(catalogue.wheel("36-1"), Shaft(-50.0).turn(800, 4)).without(2, 9, 2).with_pulses(2, 14, 0.6)
    edges = made.edges()
    whole = track(edges, made.wheel, until=made.until())
    assert said(whole.events) == list(made.faults)
    fault = int(np.searchsorted(edges.ticks, whole.events[0].tick))
    for cut in range(fault - 20, fault + 50):
        same(track(edges, made.wheel, until=made.until(), cuts=(cut,)), whole)


def test_what_waits_is_bounded() -> None:
    """On a clean signal a handful of teeth wait for a decision, whatever the wheel."""
    for name in ("60-2", "36-1", "48-2"):
        made = signal(catalogue.wheel(name), Shaft(-50.0).turn(800, 8))
        edges, tracker, told = made.edges(), Tracker(made.wheel, MICRO, timing_level=1), 0
        ticks, _ = made.seen()
        for i in range(len(edges)):
            told += len(tracker.feed(Edges(edges.ticks[i : i + 1], edges.levels[i : i + 1]), int(edges.ticks[i]) + 1))
            fed = int(np.searchsorted(ticks, edges.ticks[i], side="right"))
            assert fed - told <= (6 if fed > 3 * made.wheel.teeth else tracker.undecided_teeth)


# scaling, turning, inverting, shifting


@modest
@given(st.sampled_from(MANY_TEETH), st.floats(700.0, 2000.0), st.floats(1.0, 4.0), KINDS.filter(lambda k: k in
       ("none", "missing", "held", "extra", "burst")), st.floats(-359.0, -1.0), st.data())  # fmt: skip
def test_speed_scaling(name: str, rpm: float, times: float, kind: str, start: float, data: st.DataObject) -> None:
    """The same wheel turned faster: the same events and the same numbers."""
    wheel = catalogue.wheel(name)
    tooth = data.draw(st.integers(2, wheel.teeth - 1))
    answers = []
    for speed in (rpm, rpm * times):
        made = signal(wheel, Shaft(start).turn(speed, 5))
        if kind in ("missing", "held"):
            made = made.without(2, tooth, 3, held=kind == "held")
        elif kind != "none":
            made = made.with_pulses(2, tooth, 0.6, many=2 if kind == "burst" else 1)
        teeth = track(made.edges(FINE), wheel, FINE, made.until(FINE), level=1)
        assert said(teeth.events) == list(made.faults)
        answers.append(teeth)
    np.testing.assert_array_equal(answers[0].tooth, answers[1].tooth)
    np.testing.assert_array_equal(answers[0].revolution, answers[1].revolution)


@settings(modest, max_examples=25)
@given(st.sampled_from(MANY_TEETH), st.floats(-359.9, -0.1), st.sampled_from((180.0, 800.0, 5000.0)))
def test_start_angle(name: str, start: float, rpm: float) -> None:
    """From the very first edge, wherever the wheel stood."""
    made = signal(catalogue.wheel(name), Shaft(start).turn(rpm, 3.3, 0.1 if rpm < 300 else 0.0))
    teeth = track(made.edges(), made.wheel, until=made.until(), level=1)
    assert not said(teeth.events)
    as_made(teeth, made)


@few
@given(recordings(names=st.sampled_from((*MANY_TEETH, "12-1"))), CLOCKS)
def test_polarity(made: Signal, clock: Clock) -> None:
    """A line that is low over a tooth tells the same as one that is high, but for the level it held."""
    high = track(made.edges(clock, active=1), made.wheel, clock, made.until(clock))
    low = track(made.edges(clock, active=0), made.wheel, clock, made.until(clock))
    turned = tuple(e if e.level is None else replace(e, level=1 - e.level) for e in low.events)
    same(replace(low, events=turned), high)


@few
@given(recordings(), CLOCKS, st.sampled_from((1, 999_983, 2**31 - 5, 2**40 + 7)))
def test_shifting_time(made: Signal, clock: Clock, shift: int) -> None:
    plain = track(made.edges(clock), made.wheel, clock, made.until(clock))
    later = track(made.edges(clock, shift=shift), made.wheel, clock, made.until(clock) + shift)
    np.testing.assert_array_equal(later.ticks - shift, plain.ticks)
    events = tuple(replace(e, tick=e.tick - shift, end_tick=e.end_tick - shift) for e in later.events)
    back = np.where(later.back_ticks < 0, -1, later.back_ticks - shift)
    same(replace(later, ticks=later.ticks - shift, back_ticks=back, events=events), plain)


@modest
@given(recordings(kinds=st.sampled_from(("none", "missing", "held", "extra", "burst"))))
def test_either_resolution(made: Signal) -> None:
    for clock in (FINE, MICRO):
        teeth = track(made.edges(clock), made.wheel, clock, made.until(clock), level=1)
        assert said(teeth.events) == list(made.faults)
        as_made(teeth, made, clock)


# a fault put in and taken out


@settings(modest, max_examples=16)
@given(recordings(kinds=st.just("none")), st.data())
def test_a_missing_tooth_put_in_and_taken_out(made: Signal, data: st.DataObject) -> None:
    """Any tooth of the third turn, the ones beside the gap among them; one or a run of them."""
    wheel = made.wheel
    assert not track(made.edges(), wheel, until=made.until(), level=1).events
    tooth = data.draw(st.integers(1, wheel.teeth))
    count = data.draw(st.sampled_from((1, 1, 2, 3)))
    held = data.draw(st.booleans())
    spoilt = made.without(2, tooth, count, held)
    teeth = track(spoilt.edges(), wheel, until=made.until(), level=1)
    assert said(teeth.events) == list(spoilt.faults)
    assert teeth.events[0].level == int(held)
    due = made.lead_s[made.index(2, tooth)] / 1e-6
    pitch = made.lead_s[made.index(2, tooth)] - made.lead_s[made.index(2, tooth) - 1]
    assert abs(teeth.events[0].tick - due) < 0.2 * pitch / 1e-6
    as_made(teeth, spoilt)


@settings(modest, max_examples=16)
@given(recordings(kinds=st.just("none")), st.data())
def test_an_extra_pulse_put_in_and_taken_out(made: Signal, data: st.DataObject) -> None:
    """Behind any tooth of the third turn, the gap among them; over the tooth or beside it."""
    wheel = made.wheel
    assert not track(made.edges(), wheel, until=made.until(), level=1).events
    tooth = data.draw(st.integers(1, wheel.teeth))
    widest = int(np.argmax(wheel.steps_deg)) + 1 == tooth
    where = data.draw(st.floats(0.5, 0.85) if widest else st.sampled_from((0.1, 0.2, 0.5, 0.6, 0.8)))
    spoilt = made.with_pulses(2, tooth, where, width=0.04)
    teeth = track(spoilt.edges(), wheel, until=made.until(), level=1)
    assert [s[0] for s in said(teeth.events)] == ["extra"]
    ((_, revolution, near, count),) = said(teeth.events)
    assert (revolution, near, count) == (2, tooth, 2)
    as_made(teeth, spoilt)


# blind stretches


@settings(modest, max_examples=25)
@given(st.sampled_from(MANY_TEETH), st.sampled_from((200.0, 800.0, 4000.0)), st.data())
def test_edges_lost_in_a_blind_stretch(name: str, rpm: float, data: st.DataObject) -> None:
    """From one edge to several turns: no event, and the numbers are right again after it."""
    wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(-70.0).turn(rpm, 9, 0.08 if rpm < 300 else 0.0))
    edges = made.edges()
    first = data.draw(st.integers(2 * wheel.teeth, 8 * wheel.teeth))
    many = data.draw(st.sampled_from((1, 2, 3, 7, wheel.teeth, 5 * wheel.teeth)))
    blind = Blind(int(edges.ticks[first]), int(edges.ticks[first + many - 1]) + 1, "test")
    gone = slice(first, first + many)
    left = Edges(np.delete(edges.ticks, gone), np.delete(edges.levels, gone))
    tracker = Tracker(wheel, MICRO, timing_level=1)
    teeth = joined([tracker.feed(left, made.until(), [blind]), tracker.finish(made.until())])
    assert not said(teeth.events)
    ticks, place = made.seen()
    keep = (ticks < blind.start_tick) | (ticks >= blind.end_tick)
    np.testing.assert_array_equal(teeth.ticks, ticks[keep])
    np.testing.assert_array_equal(teeth.tooth - 1, place[keep] % wheel.teeth)


@modest
@given(st.sampled_from(MANY_TEETH), st.data())
def test_a_blind_stretch_told_in_any_batch(name: str, data: st.DataObject) -> None:
    """Together with its time's batch, however the batches are cut: one answer."""
    wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(-70.0).turn(800, 6)).without(4, 5)
    edges = made.edges()
    first = data.draw(st.integers(30, 4 * wheel.teeth))
    blind = Blind(int(edges.ticks[first]) - 1, int(edges.ticks[first + 9]) + 1, "test")
    left = Edges(np.delete(edges.ticks, slice(first, first + 10)), np.delete(edges.levels, slice(first, first + 10)))
    answers = []
    for cuts in ([], sorted(data.draw(st.lists(st.integers(1, len(left) - 1), max_size=6)))):
        tracker, parts, told = Tracker(wheel, MICRO, timing_level=1), [], False
        for a, b in zip([0, *cuts], [*cuts, len(left)], strict=True):
            upto = int(left.ticks[b]) if b < len(left) else made.until()
            now = [] if told or upto <= blind.start_tick else [blind]
            told = told or bool(now)
            parts.append(tracker.feed(Edges(left.ticks[a:b], left.levels[a:b]), upto, now))
        parts.append(tracker.finish(made.until()))
        answers.append(joined(parts))
    same(answers[1], answers[0])
    assert said(answers[0].events) == list(made.faults)


@modest
@given(recordings(kinds=st.just("none"), names=st.sampled_from(MANY_TEETH)), st.integers(40, 120))
def test_blind_for_another_channel(made: Signal, first: int) -> None:
    """Another channel's blind stretch is none here."""
    edges = made.edges()
    other = Blind(int(edges.ticks[first]), int(edges.ticks[first + 20]), "test", channel="cam")
    tracker = Tracker(made.wheel, MICRO, timing_level=1)
    teeth = joined([tracker.feed(edges, made.until(), [other]), tracker.finish(made.until())])
    same(teeth, track(edges, made.wheel, until=made.until(), level=1))


# poor edges


@modest
@given(recordings(names=st.sampled_from(MANY_TEETH), kinds=st.sampled_from(("none", "missing", "extra"))))
def test_timing_edges_alone(made: Signal) -> None:
    """A recorder of one polarity only: the same teeth; an extra pulse is then one edge."""
    edges = made.edges()
    up = edges.levels == 1
    teeth = track(Edges(edges.ticks[up], edges.levels[up]), made.wheel, until=made.until())
    wanted = [(kind, r, t, 1 if kind == "extra" else n) for kind, r, t, n in made.faults]
    assert said(teeth.events) == wanted
    as_made(teeth, made)


@modest
@given(recordings(names=st.sampled_from(MANY_TEETH), kinds=st.just("none")), st.data())
def test_levels_repeated(made: Signal, data: st.DataObject) -> None:
    """A lost trailing edge leaves the same level twice; no tooth is missing for it."""
    edges = made.edges()
    falls = np.flatnonzero(edges.levels == 0)
    gone = falls[data.draw(st.lists(st.integers(1, len(falls) - 1), min_size=1, max_size=20, unique=True))]
    left = Edges(np.delete(edges.ticks, gone), np.delete(edges.levels, gone))
    teeth = track(left, made.wheel, until=made.until(), level=1)
    assert not said(teeth.events)
    as_made(teeth, made)


@pytest.mark.parametrize("name", ["60-2", "12-1", "36", "half-moon", "2-long-2-short"])
@pytest.mark.parametrize("level", [None, 0, 1])
def test_next_to_nothing(name: str, level: int | None) -> None:
    """No edge, one, two, three, and many at one tick: no crash, no tooth out of thin air."""
    wheel = catalogue.wheel(name)
    nothing = track(Edges.none(), wheel, until=5_000_000, level=level)
    assert len(nothing) == 0
    assert nothing.events == ()
    for many in (1, 2, 3):
        for first in (0, 1):
            levels = ((np.arange(many) + first) % 2).astype(np.uint8)
            teeth = track(Edges(1_000_000 + 700 * np.arange(many), levels), wheel, until=9_000_000, level=level)
            assert len(teeth) == 0
            assert {e.kind for e in teeth.events} <= {"contact"}
    stuck = Edges(np.full(60, 1_000_000), np.tile([1, 0], 30).astype(np.uint8))
    assert {e.kind for e in track(stuck, wheel, until=9_000_000, level=level).events} <= {"contact"}
