"""A thinned sample stays small however long the stream is."""

from __future__ import annotations

import tracemalloc

import numpy as np
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
    assert KEPT <= len(found.rows()) <= 2 * KEPT and found.count == 2_000_000
    assert held < 5_000_000, held
