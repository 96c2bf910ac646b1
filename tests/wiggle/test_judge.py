"""Places, wiggles and events: who made what, and what it comes to."""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.edges.signal import Blind, Held
from toothwise.wiggle import Judged, Mark, judge, look, rules
from toothwise.wiggle.judge import owner

from tests.wiggle.made_tests import CLOCK, course, resting, spans_of


def judged(
    marks: list[tuple[float, str]], at: list[float], end_s: float = 60.0, blind: tuple[Blind, ...] = ()
) -> Judged:
    made = resting(end_s, {"crank": [(t, 1e-3) for t in at]}, {"crank": 0})
    recording = Held(CLOCK, made.edges, made.until_tick, blind)
    return judge([look(recording, [Mark(CLOCK.ticks(t), place) for t, place in marks])])


def stands(result: Judged) -> dict[str, str]:
    return {place.name: place.stands for place in result.places}


def lacks(result: Judged) -> dict[str, dict[str, str | int]]:
    return {place.name: place.lacks for place in result.places if place.lacks}


THREE = [(0.0, "hands off"), (10.0, "a"), (15.0, "b"), (20.0, "a"), (25.0, "b"), (30.0, "a"), (35.0, "b")]


def test_events_in_three_wiggles_and_a_quiet_background_confirm() -> None:
    result = judged(THREE, [12.0, 22.0, 32.0])
    assert stands(result) == {"a": "confirmed", "b": "quiet"}
    a, b = result.places
    assert (a.wiggles, a.hits, len(a.events)) == (3, 3, 3)
    assert b.bound_95 == pytest.approx(1 - 0.05 ** (1 / 3))


def test_two_wiggles_are_only_suspect_however_many_events() -> None:
    result = judged(THREE, [12.0, 12.2, 12.4, 13.0, 22.0])
    assert stands(result)["a"] == "suspect" and lacks(result) == {"a": {"wiggles": 3}}


def test_an_event_with_hands_off_leaves_only_a_suspect() -> None:
    result = judged(THREE, [5.0, 12.0, 22.0, 32.0])
    assert stands(result)["a"] == "suspect" and lacks(result) == {"a": {"hands_off": "quiet"}}
    assert len(result.hands_off.events) == 1


def test_no_hands_off_leaves_only_a_suspect() -> None:
    result = judged(THREE[1:], [12.0, 22.0, 32.0])
    assert stands(result)["a"] == "suspect" and lacks(result) == {"a": {"hands_off": "watched"}}
    assert stands(judged([(9.5, "hands off"), *THREE[1:]], [12.0, 22.0, 32.0]))["a"] == "suspect"  # half a second


def test_repeated_marks_of_one_place_are_wiggles_of_their_own() -> None:
    marks = [(0.0, "hands off"), (10.0, "a"), (15.0, "a"), (20.0, "a"), (25.0, "b")]
    result = judged(marks, [12.0, 17.0, 22.0], end_s=30.0)
    assert stands(result) == {"a": "confirmed", "b": "quiet"}


@pytest.mark.parametrize("near", [14.7, 15.3])
def test_an_event_near_a_mark_goes_to_the_place_that_makes_them(near: float) -> None:
    """15 s is the mark from a to b; b never makes events away from its marks."""
    result = judged(THREE, [12.0, 22.0, 32.0, near])
    assert stands(result) == {"a": "confirmed", "b": "quiet"}
    assert len(result.places[0].events) == 4


def test_events_that_are_surely_a_places_own_count_more_than_those_that_may_be() -> None:
    seen = look(resting(30.0, {}, {"crank": 0}), [Mark(0, "a"), Mark(CLOCK.ticks(15.0), "b")])
    at = CLOCK.ticks(14.8)
    assert owner(at, seen, {"a": (0.0, 0.9), "b": (0.1, 0.1)}) == (1, True)
    assert owner(at, seen, {"a": (0.0, 0.1), "b": (0.0, 0.9)}) == (1, True)
    assert owner(at, seen, {"a": (0.0, 0.1), "b": (0.0, 0.1)}) == (0, True)
    assert owner(CLOCK.ticks(14.4), seen, {"a": (0.0, 0.1), "b": (9.0, 9.0)}) == (0, False)


def test_further_than_the_human_delay_the_mark_stands() -> None:
    result = judged(THREE, [12.0, 22.0, 32.0, 15.0 + rules.HUMAN_S + 0.05])
    assert stands(result)["b"] == "suspect"


def test_near_the_first_mark_the_hands_were_on_their_way() -> None:
    result = judged(THREE, [9.8])
    assert stands(result)["a"] == "suspect"
    assert not result.hands_off.events


def test_a_wiggle_without_an_event_may_take_one_near_the_mark_from_its_neighbour() -> None:
    marks = [(0.0, "hands off"), (10.0, "a"), (15.0, "a"), (20.0, "a"), (25.0, "b")]
    assert judged(marks, [12.0, 20.2, 22.0], end_s=30.0).places[0].hits == 3
    assert judged(marks, [12.0, 20.2], end_s=30.0).places[0].hits == 2  # the neighbour has none to spare
    assert judged(marks, [12.0, 20.8, 22.0], end_s=30.0).places[0].hits == 2  # too far from the mark


def test_before_the_first_mark_an_event_belongs_to_no_place() -> None:
    result = judged([(20.0, "a"), (40.0, "b")], [5.0])
    assert stands(result) == {"a": "quiet", "b": "quiet"}
    assert len(result.unplaced) == 1


def test_moving_on_is_no_place_and_no_background() -> None:
    marks = [(0.0, "hands off"), (10.0, rules.BETWEEN), (14.0, "a"), (20.0, rules.BETWEEN), (24.0, "b")]
    result = judged(marks, [12.0], end_s=30.0)
    assert stands(result) == {"a": "quiet", "b": "quiet"}
    assert len(result.unplaced) == 1
    assert not result.hands_off.events


def test_a_wiggle_that_the_rig_did_not_see_is_none() -> None:
    blind = (Blind(CLOCK.ticks(10.0), CLOCK.ticks(13.0), "link_lost"),)
    assert judged(THREE, [], blind=blind).places[0].wiggles == 2
    half = (Blind(CLOCK.ticks(10.0), CLOCK.ticks(12.0), "link_lost"),)
    assert judged(THREE, [], blind=half).places[0].wiggles == 3


def test_a_mark_put_right_at_once_is_no_wiggle() -> None:
    marks = [(0.0, "hands off"), (10.0, "b"), (10.2, "a"), (15.0, "hands off")]
    places = {place.name: place for place in judged(marks, []).places}
    assert (places["b"].wiggles, places["b"].stands, places["a"].wiggles) == (0, "untested", 1)


def test_bounces_are_one_event_and_the_longest_interruption_gives_its_class() -> None:
    recording = resting(60.0, {"crank": [(12.0, 3e-6), (12.001, 2e-3), (12.012, 1e-5)]}, {"crank": 0})
    result = judge([look(recording, [Mark(0, "hands off"), Mark(CLOCK.ticks(10.0), "a")])])
    told = result.as_json()["places"][0]
    assert told["events"] == 1
    assert told["classes"] == {"under_1us": 0, "1us": 0, "10us": 0, "100us": 0, "1ms": 1, "10ms": 0}
    assert told["longest_s"] == pytest.approx(2e-3, abs=32e-9)


@pytest.mark.parametrize(
    ("lasts", "name"),
    [
        (2e-7, "under_1us"),
        (1e-6, "1us"),
        (9.9e-6, "1us"),
        (1e-5, "10us"),
        (1e-4, "100us"),
        (1e-3, "1ms"),
        (0.7, "10ms"),
    ],
)
def test_classes_reach_from_their_own_duration_to_the_next(lasts: float, name: str) -> None:
    assert rules.class_of(lasts) == name


def test_parts_of_one_test_are_judged_together() -> None:
    first = look(
        resting(20.0, {"crank": [(12.0, 1e-3)]}, {"crank": 0}), [Mark(0, "hands off"), Mark(CLOCK.ticks(10), "a")]
    )
    second = look(
        resting(20.0, {"crank": [(3.0, 1e-3), (13.0, 1e-3)]}, {"crank": 0}), [Mark(0, "a"), Mark(CLOCK.ticks(10), "a")]
    )
    assert stands(judge([first])) == {"a": "suspect"}
    assert stands(judge([first, second])) == {"a": "confirmed"}


def test_human_delays_do_not_move_the_fault() -> None:
    """A short form of the campaign."""
    rng = np.random.default_rng(5)
    for _ in range(10):
        made = course(rng)
        at = [float(rng.uniform(a, b)) for a, b in spans_of(made, "place 4")]
        result = judge([look(resting(made.end_s, {"crank": [(t, 1e-4) for t in at]}, {"crank": 0}), made.as_marks())])
        assert {name for name, s in stands(result).items() if s != "quiet"} == {"place 4"}
        assert stands(result)["place 4"] == "confirmed"
