"""Recordings for the book's tests: plain arrays, nothing of the trade but the rough shape."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st
from toothwise.edges.signal import Batch, Blind, Edges


def square(n: int, start: int = 0, pitch: int = 40_000, seed: int = 1) -> Edges:
    """n edges about `pitch` ticks apart, levels alternating."""
    steps = np.random.default_rng(seed).integers(pitch * 9 // 10, pitch * 11 // 10, n)
    return Edges(start + np.cumsum(steps), (np.arange(n) % 2).astype(np.uint8))


def batches_of(edges: Edges, per_batch: int, channel: str = "crank") -> list[Batch]:
    """The edges, so many to a batch; a batch ends one tick after its last edge."""
    out = []
    for at in range(0, len(edges), per_batch):
        part = Edges(edges.ticks[at : at + per_batch], edges.levels[at : at + per_batch])
        out.append(Batch(int(part.ticks[-1]) + 1, {channel: part}))
    return out


@st.composite
def some_edges(draw: st.DrawFn, most: int = 60) -> Edges:
    """Any edges the contract allows: equal ticks, equal levels, negative and huge ticks, wide steps."""
    steps = draw(st.lists(st.one_of(st.integers(0, 300), st.integers(0, 1 << 40)), max_size=most))
    start = draw(st.integers(-(1 << 50), 1 << 50))
    levels = draw(st.lists(st.integers(0, 1), min_size=len(steps), max_size=len(steps)))
    return Edges(start + np.cumsum(np.array(steps, np.int64)), np.array(levels, np.uint8))


def assert_same(first: Edges, second: Edges) -> None:
    np.testing.assert_array_equal(first.ticks, second.ticks)
    np.testing.assert_array_equal(first.levels, second.levels)
    assert second.ticks.dtype == np.int64 and second.levels.dtype == np.uint8


def joined(batches: list[Batch], channel: str = "crank") -> tuple[Edges, list[Blind]]:
    """All edges of a channel and all blind stretches."""
    edges = Edges.join([b.edges[channel] for b in batches if channel in b.edges])
    return edges, [stretch for b in batches for stretch in b.blind]
