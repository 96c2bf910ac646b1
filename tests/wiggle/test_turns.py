"""A turning wheel: missing, extra, moved edges, interference, and what could not be seen."""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.edges.signal import Edges, Held
from toothwise.wheel import catalogue
from toothwise.wiggle import Watching, look
from toothwise.wiggle.disturbance import Burst

from tests.examine.signals import CLOCK, cut, held, turning

WHEEL = catalogue.wheel("60-2")


def jittered(edges: Edges, sigma_ticks: float, seed: int = 1) -> Edges:
    rng = np.random.default_rng(seed)
    ticks = edges.ticks + np.rint(rng.normal(0, sigma_ticks, len(edges))).astype(np.int64)
    return Edges(np.maximum.accumulate(ticks), edges.levels)


def with_sparks(edges: Edges, at: np.ndarray) -> Edges:
    """The same with a pulse of 300 ticks at each of these ticks."""
    ticks = np.concatenate([edges.ticks, at, at + 300])
    order = np.argsort(ticks)
    before = edges.levels[np.searchsorted(edges.ticks, at) - 1]
    return Edges(ticks[order], np.concatenate([edges.levels, 1 - before, before])[order])


def sparks(n: int, seed: int = 2, first: int = 10) -> np.ndarray:
    """About half of n sparks, two a turn from the fifth turn (or another one) on, at 1500 rpm."""
    rng = np.random.default_rng(seed)
    turn = 60 / 1500 / 16e-9
    at = np.rint(1000 + (np.arange(first, first + n) / 2 + 0.213 + rng.normal(0, 0.001, n)) * turn).astype(np.int64)
    return at[rng.random(n) < 0.5]


def events_of(recording: Held, **more: object) -> list[Burst]:
    return list(look(recording, [], wheel=WHEEL, **more).events)  # type: ignore[arg-type]


def test_a_healthy_wheel_makes_none() -> None:
    edges, end = turning(WHEEL, 1500, 200)
    assert events_of(held(end, crank=jittered(edges, 20.0))) == []


def test_a_missing_tooth_and_a_pulse_are_events_with_durations() -> None:
    edges, end = turning(WHEEL, 1500, 80, drop=[(40, 20)], extra=[(60, 30)])
    missing, extra = events_of(held(end, crank=edges))
    pitch = 60 / 1500 / 60 / 16e-9
    assert missing.kinds == ("missing",)
    assert missing.longest.least <= 1.0 * pitch <= missing.longest.most  # from the fall before to the next rise
    assert (extra.kinds, extra.longest.longest) == (("extra",), round(0.05 * pitch))


@pytest.mark.parametrize("at", [3001, 3002])
def test_one_moved_edge_is_found_timing_edge_or_opposite(at: int) -> None:
    edges, end = turning(WHEEL, 1500, 100)
    quiet = jittered(edges, 6.0)
    ticks = quiet.ticks.copy()
    ticks[at] += 3000  # 48 µs, a fourteenth of a pitch
    (event,) = events_of(held(end, crank=Edges(ticks, quiet.levels)))
    assert event.kinds == ("moved",)
    assert event.longest.longest == pytest.approx(3000, abs=60)
    assert abs(event.tick - quiet.ticks[at]) < 60


def test_a_moved_edge_below_the_limit_is_not_told() -> None:
    edges, end = turning(WHEEL, 1500, 100)
    quiet = jittered(edges, 60.0)
    ticks = quiet.ticks.copy()
    ticks[3001] += 200
    seen = look(held(end, crank=Edges(ticks, quiet.levels)), [], wheel=WHEEL)
    assert len(seen.events) == 0
    assert seen.limit_deg is not None
    assert seen.limit_deg > 200 * 16e-9 * 1500 * 6


def test_the_same_however_the_stream_is_cut() -> None:
    edges, end = turning(WHEEL, 1500, 120, drop=[(40, 20), (70, 3)], extra=[(60, 30)])
    quiet = jittered(edges, 6.0)
    ticks = quiet.ticks.copy()
    # In the middle of a revolution, and at the teeth on both sides of the gap; 96 revolutions are three blocks.
    ticks[[3001, 9000, 116 * 96, 116 * 99 + 1, 116 * 103 - 2]] += 3000
    recording = held(end, crank=Edges(ticks, quiet.levels))

    def whole(at: list[int]) -> list[tuple[int, int, tuple[str, ...]]]:
        watching = Watching(CLOCK, ("crank",), mode="turning", wheel=WHEEL)
        for batch in cut(recording, at):
            watching.feed(batch)
        watching.finish()
        return [(e.tick, e.end_tick, e.kinds) for e in watching.events]

    rng = np.random.default_rng(3)
    once = whole([])
    assert len(once) == 8
    for many in (1, 7, 40):
        assert whole(rng.integers(0, end, many).tolist()) == once


def test_a_silence_that_is_counted_is_told_once() -> None:
    edges, end = turning(WHEEL, 3000, 200)
    keep = (edges.ticks < edges.ticks[8000]) | (edges.ticks > edges.ticks[8301])
    crank = Edges(edges.ticks[keep], edges.levels[keep])
    (event,) = events_of(held(end, crank=crank))
    assert (event.kinds, event.count) == (("missing",), 1)


def test_extra_edges_at_the_ignitions_order_are_no_contact() -> None:
    edges, end = turning(WHEEL, 1500, 60)
    noise = sparks(100)
    seen = look(held(end, crank=with_sparks(edges, noise)), [], wheel=WHEEL)
    assert [told["source"] for told in seen.interference] == ["ignition"]
    assert len(seen.events) == 0
    assert len(seen.noise) == len(noise)


def test_extra_edges_that_keep_to_nothing_are_contacts() -> None:
    rng = np.random.default_rng(4)
    places = {(int(r), int(t)) for r, t in zip(rng.integers(2, 58, 40), rng.integers(1, 57, 40), strict=True)}
    edges, end = turning(WHEEL, 1500, 60, extra=places)
    seen = look(held(end, crank=edges), [], wheel=WHEEL)
    assert len(seen.events) > 20  # some lie so close that they are one
    assert not seen.noise


def test_how_much_of_the_time_was_blind_to_what_touches_no_edge() -> None:
    edges, end = turning(WHEEL, 1500, 50)
    hidden = look(held(end, crank=edges), [], wheel=WHEEL).hidden
    assert hidden is not None
    pitch_s = 60 / 1500 / 60
    high = 58 * (0.4 * pitch_s - 100e-6) / (60 * pitch_s)
    assert hidden["high"]["100us"] == pytest.approx(high, abs=0.002)
    low = (57 * (0.6 * pitch_s - 100e-6) + 2.6 * pitch_s - 100e-6) / (60 * pitch_s)
    assert hidden["low"]["100us"] == pytest.approx(low, abs=0.002)
    assert hidden["high"]["1ms"] == 0.0


def test_a_feed_that_takes_the_signal_with_it() -> None:
    edges, end = turning(WHEEL, 1500, 80)
    low = (edges.ticks[4000] - 500, edges.ticks[4020] + 500)
    keep = (edges.ticks < low[0]) | (edges.ticks > low[1])
    feed = Edges(np.array(low, np.int64), np.array([0, 1], np.uint8))
    crank = Edges(edges.ticks[keep], edges.levels[keep])
    (event,) = events_of(held(end, crank=crank, feed=feed))
    assert event.conductor(CLOCK) == "feed"
    (alone,) = events_of(held(end, crank=crank, feed=Edges.none()))
    assert alone.conductor(CLOCK) == "signal"


def test_interference_is_named_while_it_goes_on_and_a_contact_in_it_is_not() -> None:
    edges, end = turning(WHEEL, 1500, 160)
    turn = 60 / 1500 / 16e-9
    contact = round(1000 + 130.37 * turn)
    noise = sparks(290)
    crank = with_sparks(edges, np.sort(np.append(noise, contact)))
    watching = Watching(CLOCK, ("crank",), mode="turning", wheel=WHEEL)
    told: list[int] = []
    for batch in cut(held(end, crank=crank), list(range(0, end, CLOCK.ticks(0.1)))):
        told += [part.tick for part in watching.feed(batch)]
    watching.finish()
    assert len(told) < 30  # about twenty until it is known, and the contact
    assert abs(told[-1] - contact) < 400
    assert [abs(event.tick - contact) < 400 for event in watching.contacts] == [True]
    assert watching.so_far.noise == len(noise)
    seen = watching.seen([])
    assert len(seen.noise) == len(noise)
    assert [abs(event.tick - contact) < 400 for event in seen.events] == [True]


def test_a_spark_before_the_first_numbered_tooth_belongs_to_the_others() -> None:
    edges, end = turning(WHEEL, 1500, 120)
    begin = int(edges.ticks[60])  # in the middle of a turn
    noise = sparks(200, first=1)
    crank = with_sparks(edges, noise)
    late = crank.ticks >= begin
    seen = look(held(end, crank=Edges(crank.ticks[late], crank.levels[late])), [], wheel=WHEEL)
    assert len(seen.events) == 0
    assert len(seen.noise) == int((noise >= begin).sum())


def test_few_sparks_are_contacts_until_their_order_is_sure() -> None:
    edges, end = turning(WHEEL, 1500, 60)
    seen = look(held(end, crank=with_sparks(edges, sparks(36))), [], wheel=WHEEL)
    assert seen.interference == []
    assert len(seen.events) >= 8


def test_an_order_of_the_wheel_itself_is_nobody_s() -> None:
    """Pulses that begin at the wheel's own edges keep to its slots: 96 a turn of 24 slots is no alternator."""
    wheel = catalogue.wheel("24-1")
    edges, end = turning(wheel, 1500, 200)
    rng = np.random.default_rng(7)
    quarter = 60 / 1500 / 16e-9 / 96
    at = np.unique(rng.integers(400, 96 * 190, 60)) * quarter + 1000 + 0.13 * quarter
    seen = look(held(end, crank=with_sparks(edges, np.rint(at).astype(np.int64))), [], wheel=wheel)
    assert seen.interference == []
    assert len(seen.events) > 40


@pytest.mark.parametrize("at", [1203, 1204, 1205, 1206, 1207, 1208])
def test_the_edge_that_moved_is_told_not_the_one_between_two_gaps(at: int) -> None:
    wheel = catalogue.wheel("36-2-2-2")
    edges, end = turning(wheel, 1500, 60)
    lone = int(np.flatnonzero(np.diff(edges.ticks[::2]) > 1.5 * np.median(np.diff(edges.ticks[::2])))[-1])
    at = 2 * lone - 6 + at - 1203 - 60 * 20  # around the last tooth before a gap, in the middle of the recording
    quiet = jittered(edges, 6.0)
    ticks = quiet.ticks.copy()
    ticks[at] += 6000
    (event,) = list(look(held(end, crank=Edges(ticks, quiet.levels)), [], wheel=wheel).events)
    assert event.kinds == ("moved",)
    assert event.longest.longest == pytest.approx(6000, abs=300)
    assert abs(event.tick - quiet.ticks[at]) < 300


def test_a_moved_edge_on_a_wheel_of_few_teeth() -> None:
    wheel = catalogue.wheel("12-1")
    edges, end = turning(wheel, 1500, 100)
    quiet = jittered(edges, 6.0)
    ticks = quiet.ticks.copy()
    ticks[701] += 6000
    seen = look(held(end, crank=Edges(ticks, quiet.levels)), [], wheel=wheel)
    assert [event.kinds for event in seen.events] == [("moved",)]
    assert seen.limit_deg is not None
    assert seen.judged == pytest.approx(1.0, abs=0.02)
