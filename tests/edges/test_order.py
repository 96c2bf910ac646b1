"""Rows whose time goes back: what is kept never falls, and as much is kept as can be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from toothwise.edges.order import in_order
from toothwise.errors import FileTrouble


def kept(ticks: list[int], floor: int | None = None) -> list[int]:
    many = len(ticks)
    keep, _ = in_order("a.csv", np.array(ticks, np.int64), np.arange(many), np.ones(many, bool), floor)
    return [tick for tick, stays in zip(ticks, keep.tolist(), strict=True) if stays]


def runs(*parts: tuple[int, int]) -> list[int]:
    """So many rows of each tick."""
    return [tick for tick, many in parts for _ in range(many)]


SCATTERED = [(90, 35), (3, 34), (9, 1), (0, 10), (91, 15), (330, 35), (0, 3), (986, 30), (7, 1)]
"""Falls so close together that many rows may go; those before the first of them stay all the same."""


@example(SCATTERED)
@given(st.lists(st.tuples(st.integers(0, 300), st.integers(1, 40)), min_size=1, max_size=8))
def test_what_is_kept_never_falls(parts: list[tuple[int, int]]) -> None:
    ticks = runs(*parts)
    try:
        stays = kept(ticks)
    except FileTrouble:
        return
    assert stays == sorted(stays)
    assert len(stays) >= len(ticks) - 16 * len(parts)


def test_a_glitch_is_left_out() -> None:
    ticks = [*range(100), 5, *range(100, 200)]
    assert kept(ticks) == list(range(200))


def test_a_jump_ahead_and_back_is_left_out() -> None:
    ticks = [*range(100), 5000, 5001, *range(100, 200)]
    assert kept(ticks) == list(range(200))


def test_what_follows_the_place_is_not_contradicted_either() -> None:
    ticks = [*range(100), *[5000] * 40, *range(100, 200)]
    with pytest.raises(FileTrouble, match="stays back"):
        kept(ticks)
