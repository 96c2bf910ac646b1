"""The guide: steps, countdown, marks; time that nobody saw does not count."""

from __future__ import annotations

from toothwise.wiggle import rules
from toothwise.wiggle.guide import Guide, steps
from toothwise.wiggle.harness import Harness, Spot

MAP = Harness("test", (Spot("a"), Spot("b")), quiet_s=10.0, wiggle_s=5.0, moving_s=2.0, wiggles=2)
TICK_S = 0.001


def names(guide: Guide) -> list[tuple[int, str]]:
    return [(mark.tick, mark.place) for mark in guide.marks]


def test_by_time_alone() -> None:
    guide = Guide(steps(MAP), TICK_S)
    for tick in range(0, 40_000, 37):
        guide.go(tick)
    assert names(guide) == [
        (0, "hands off"), (10_000, "moving on"), (12_000, "a"), (17_000, "a"), (22_000, "moving on"), (24_000, "b"),
        (29_000, "b"), (34_000, "moving on"),
    ]  # fmt: skip
    assert guide.over


def test_a_key_or_the_button_goes_on_sooner() -> None:
    guide = Guide(steps(MAP), TICK_S)
    guide.go(0)
    guide.next(3000)
    guide.next(3500)
    assert names(guide)[1:] == [(3000, "moving on"), (3500, "a")]
    assert guide.left_s(4500) == 4.0


def test_by_hand_time_never_moves_on() -> None:
    guide = Guide(steps(MAP), TICK_S, by_hand=True)
    guide.go(0)
    guide.go(500_000)
    assert names(guide) == [(0, "hands off")]
    assert guide.left_s(500_000) == 0.0


def test_time_the_rig_did_not_see_does_not_count_down() -> None:
    guide = Guide(steps(MAP), TICK_S)
    guide.go(0)
    guide.unseen(6000)
    guide.go(12_000)
    assert names(guide) == [(0, "hands off")]
    assert guide.left_s(12_000) == 4.0
    guide.go(16_001)
    assert names(guide)[-1] == (16_000, "moving on")


def test_back_moves_the_place_again() -> None:
    guide = Guide(steps(MAP), TICK_S)
    for tick in (0, 10_000, 12_000, 17_000, 18_000):
        guide.go(tick)
    guide.back(18_000)
    assert (names(guide)[-1], guide.step.wiggle if guide.step else 0) == ((18_000, rules.BETWEEN), 0)


def test_what_was_done_before_is_not_asked_again() -> None:
    left = steps(MAP, {"a": 2, "b": 1})
    assert [(step.place, step.wiggle) for step in left] == [("hands off", 0), ("moving on", 0), ("b", 2)]


def test_a_place_can_be_left_at_once() -> None:
    guide = Guide(steps(MAP), TICK_S)
    guide.go(0)
    guide.skip(1000)
    guide.next(2000)
    guide.skip(3000)
    assert names(guide)[1:] == [(1000, "moving on"), (2000, "a"), (3000, "moving on")]
    assert guide.step is not None and guide.step.number == 2
    guide.skip(4000)
    assert guide.over and guide.skip(5000) == []


def test_whether_a_wiggle_of_the_same_place_comes_next() -> None:
    guide = Guide(steps(MAP), TICK_S)
    assert not guide.wiggle_next
    told = []
    for tick in range(7):
        guide.next(tick)
        told.append((guide.step.place if guide.step else "", guide.wiggle_next))
    assert told == [
        ("hands off", False), ("moving on", True), ("a", True), ("a", False), ("moving on", True), ("b", True),
        ("b", False),
    ]  # fmt: skip
