"""Lines at rest: every time they leave their level, to the tick, however the stream is cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.edges.signal import Batch, Blind, Edges
from toothwise.wiggle.disturbance import Disturbance
from toothwise.wiggle.rest import LevelWatch

from tests.wiggle.made_tests import CLOCK

S = CLOCK.ticks(1.0)


def watched(
    edges: list[tuple[int, int]], until: int, cuts: list[int] | None = None, rest: int | None = None,
    blind: tuple[Blind, ...] = (),
) -> list[tuple[int, int]]:  # fmt: skip
    return [(d.tick, d.end_tick) for d in full(edges, until, cuts, rest, blind)]


def full(
    edges: list[tuple[int, int]], until: int, cuts: list[int] | None = None, rest: int | None = None,
    blind: tuple[Blind, ...] = (),
) -> list[Disturbance]:  # fmt: skip
    watch = LevelWatch(CLOCK, "crank", rest)
    ticks = np.array([t for t, _ in edges], np.int64)
    levels = np.array([level for _, level in edges], np.uint8)
    found, begin = [], 0
    for end in [*sorted(cuts or []), until]:
        part = slice(*np.searchsorted(ticks, (begin, end)))
        inside = tuple(b for b in blind if begin < b.end_tick <= end)
        found += watch.feed(Edges(ticks[part], levels[part]), end, inside)
        begin = end
    return found + watch.finish(until)


def test_interruptions_are_found_to_the_tick() -> None:
    edges = [(100, 1), (112, 0), (S, 1), (2 * S, 0)]
    assert watched(edges, 20 * S) == [(100, 112), (S, 2 * S)]


def test_a_files_first_row_may_tell_the_level() -> None:
    assert watched([(0, 1), (5 * S, 0), (5 * S + 50, 1)], 30 * S) == [(5 * S, 5 * S + 50)]


def test_a_single_interruption_at_the_very_start_of_a_file() -> None:
    assert watched([(0, 0), (500, 1)], 60 * S) == [(0, 500)]


def test_a_feed_that_was_never_up_is_no_event() -> None:
    assert watched([(3 * S, 1)], 30 * S, rest=1) == []
    assert watched([(3 * S, 1), (5 * S, 0), (6 * S, 1)], 30 * S, rest=1) == [(5 * S, 6 * S)]


def test_a_wire_that_broke_for_good_is_one_event_and_may_come_home() -> None:
    edges = [(20 * S, 1), (60 * S, 0), (61 * S, 1), (61 * S + 9, 0)]
    found = full([(0, 1), (1, 0), *edges], 100 * S)
    assert [(d.tick, d.stays) for d in found] == [(0, False), (20 * S, True), (60 * S, False)]


def test_away_on_both_sides_of_a_blind_moment_is_one_event_with_two_bounds() -> None:
    blind = (Blind(15 * S, 15 * S + 1000, "walking"),)
    (event,) = full([(14 * S, 1), (16 * S, 0)], 40 * S, rest=0, blind=blind)
    assert (event.tick, event.end_tick, event.most - event.least) == (14 * S, 16 * S, 1000)


def test_what_came_back_unseen_is_two_events() -> None:
    blind = (Blind(15 * S, 15 * S + 1000, "walking"),)
    assert watched([(14 * S, 1), (16 * S, 1), (17 * S, 0)], 40 * S, rest=0, blind=blind) == [
        (14 * S, 15 * S),
        (16 * S, 17 * S),
    ]


@settings(max_examples=60, deadline=None)
@given(
    spans=st.lists(st.tuples(st.integers(2, 3 * S), st.integers(2, 30 * S)), min_size=1, max_size=12),
    cuts=st.lists(st.integers(1, 300 * S), max_size=8),
    level=st.integers(0, 1),
)
def test_the_same_however_the_stream_is_cut(spans: list[tuple[int, int]], cuts: list[int], level: int) -> None:
    edges, now = [], 100
    for away, between in spans:
        edges += [(now, 1 - level), (now + away, level)]
        now += away + between
    until = now + 20 * S
    assert watched(edges, until, [c for c in cuts if c < until]) == watched(edges, until)


def test_a_batch_without_edges_is_time_all_the_same() -> None:
    watch = LevelWatch(CLOCK, "crank")
    batch = Batch(5)
    assert watch.feed(batch.edges.get("crank", Edges.none()), 40 * S) == []
    assert watch.finish(40 * S) == []


@pytest.mark.parametrize("lasts", [13, 63, 6250, 62_500_000])
def test_from_200_ns_to_a_second(lasts: int) -> None:
    (found,) = full([(20 * S, 1), (20 * S + lasts, 0)], 60 * S, rest=0)
    assert found.longest == lasts
