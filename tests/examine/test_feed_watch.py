"""The feed channel's low stretches, with what is and is not known around blind ones."""

from __future__ import annotations

import numpy as np
from toothwise.edges.signal import Blind, Edges
from toothwise.examine.feed import FeedWatch


def lows(steps: list[tuple[int, int]], until: int = 10_000, blind: tuple[Blind, ...] = ()) -> list[tuple[int, int]]:
    """(tick, level) edges in one batch, and one at a time: the same (start, end) of the low stretches."""
    edges = Edges(np.array([t for t, _ in steps], np.int64), np.array([v for _, v in steps], np.uint8))
    whole = FeedWatch()
    at_once = [*whole.feed(edges, until, blind), *whole.finish(until)]
    single = FeedWatch()
    by_one = []
    for i, (tick, _) in enumerate(steps):
        known = tuple(b for b in blind if b.start_tick < tick)
        blind = tuple(b for b in blind if b not in known)
        by_one += single.feed(Edges(edges.ticks[i : i + 1], edges.levels[i : i + 1]), tick + 1, known)
    by_one += [*single.feed(Edges.none(), until, blind), *single.finish(until)]
    assert by_one == at_once
    assert all(event.kind == "feed_low" and event.level == 0 for event in at_once)
    return [(event.tick, event.end_tick) for event in at_once]


def test_a_sag_is_one_event() -> None:
    assert lows([(100, 0), (150, 1), (300, 0), (301, 1)]) == [(100, 150), (300, 301)]


def test_switching_on_is_no_event_and_switching_off_is_one() -> None:
    assert lows([(100, 1)]) == []
    assert lows([(100, 1), (400, 0)]) == [(400, 10_000)]


def test_blindness_ends_what_is_known() -> None:
    assert lows([(100, 1), (200, 0), (900, 0), (950, 1)], blind=(Blind(300, 500, "x"),)) == [(200, 300), (900, 950)]


def test_a_rise_after_blindness_was_low_since_its_end() -> None:
    assert lows([(100, 1), (700, 1)], blind=(Blind(300, 500, "x"),)) == [(500, 700)]


def test_a_lost_edge_leaves_a_stretch_of_unknown_length() -> None:
    assert lows([(100, 0), (200, 0), (250, 1)]) == [(100, 100), (200, 250)]
    assert lows([(100, 1), (200, 1)]) == [(200, 200)]
