"""A thinned sample stays small however long the stream is, as even as before, and in step with nothing."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from toothwise.checks.thinned import KEPT, Thinned


def test_memory_does_not_grow_with_the_stream() -> None:
    """Numbers come a batch at a time, as live; what is kept must not hold on to the batches."""
    found = Thinned()
    rows = np.arange(400.0)
    tracemalloc.start()
    try:
        for _ in range(5000):
            found.add(rows * 1.0)
        held = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert 0.9 * KEPT < len(found.rows()) <= 2 * KEPT and found.count == 2_000_000
    assert held < 5_000_000, held


def test_it_is_even_however_the_stream_is_cut() -> None:
    """Three distances at most between neighbours, as the multiples of any number have on a circle (Steinhaus' three
    distances, from memory)."""
    kept = []
    for pieces in (1, 77):
        found = Thinned()
        for part in np.array_split(np.arange(300_000.0), pieces):
            found.add(part)
        kept.append(found.rows())
    assert np.array_equal(*kept)
    apart = np.unique(np.diff(kept[0]))
    assert len(apart) <= 3 and apart[-1] < 3 * apart[0]


@pytest.mark.parametrize("period", [2, 3, 32, 35, 58, 64, 116])
def test_it_keeps_step_with_no_wheel(period: int) -> None:
    found = Thinned()
    for part in np.array_split(np.arange(1_000_000.0), 10):
        found.add(part)
    each = np.bincount(found.rows().astype(int) % period, minlength=period)
    assert 0.5 * each.mean() < each.min() and each.max() < 1.5 * each.mean()


def test_what_is_not_wanted_need_not_be_worked_out() -> None:
    whole, some = Thinned(2), Thinned(2)
    for part in np.array_split(np.arange(200_000.0), 9):
        rows = np.stack([part, -part], axis=1)
        whole.add(rows)
        numbers = some.next(len(part))
        wanted = some.wants(numbers)
        some.add(rows[wanted], numbers[wanted])
    assert np.array_equal(whole.rows(), some.rows())
