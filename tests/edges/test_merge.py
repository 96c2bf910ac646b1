"""Merging streams of batches: order, blind stretches in parts, and no more read ahead than needed."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from toothwise.edges.merge import merge
from toothwise.edges.signal import Batch, Blind, Edges

from tests.edges.contract import check_batch


def stream(name: str, step: int, batches: int, taken: list[str]) -> Iterator[Batch]:
    for k in range(batches):
        taken.append(name)
        ticks = np.arange(k * 1000, (k + 1) * 1000, step)
        blind = (Blind(k * 1000 + 1, (k + 1) * 1000, "made", name),) if k == 1 else ()
        edges = Edges(ticks if not blind else ticks[:1], np.ones(len(ticks) if not blind else 1, np.uint8))
        yield Batch((k + 1) * 1000, {name: edges}, blind)


def test_streams_go_side_by_side() -> None:
    taken: list[str] = []
    before = None
    counts = {"crank": 0, "cam": 0}
    for number, batch in enumerate(merge([stream("crank", 10, 50, taken), stream("cam", 100, 50, taken)])):
        check_batch(batch, before)
        before = batch.until_tick
        for name, edges in batch.edges.items():
            counts[name] += len(edges)
        assert taken.count("crank") <= number + 2 and taken.count("cam") <= number + 2
    assert counts == {"crank": 49 * 100 + 1, "cam": 49 * 10 + 1}


def test_a_blind_stretch_across_the_cut_comes_in_parts() -> None:
    a = iter([Batch(10, {}, ()), Batch(30, {}, ()), Batch(100, {}, ())])
    b = iter([Batch(100, {}, (Blind(5, 80, "made", "cam"),))])
    parts = [blind for batch in merge([a, b]) for blind in batch.blind]
    assert parts[0].start_tick == 5 and parts[-1].end_tick == 80
    assert all(x.end_tick == y.start_tick for x, y in pairwise(parts))


def test_a_stream_that_ends_early_is_silent_to_the_end() -> None:
    taken: list[str] = []
    last = list(merge([stream("crank", 10, 9, taken), stream("cam", 100, 2, taken)]))[-1]
    assert last.until_tick == 9000
