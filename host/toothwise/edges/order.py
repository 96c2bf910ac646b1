"""Rows whose time is wrong, told from those around them that are right."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Ticks
from toothwise.errors import FileTrouble

HELD_ROWS = 64
"""Rows a reader keeps back: what follows a row tells whether its own time was wrong."""
GLITCH_ROWS = 16
"""Time that is wrong for more rows than this in one place is not a glitch."""


def in_order(
    file: str, tick: Ticks, line: NDArray[np.int64], usable: NDArray[np.bool_], floor: int | None
) -> tuple[NDArray[np.bool_], list[tuple[int, int]]]:
    """Which rows can be kept so that time never falls: the usable ones but the fewest.

    floor: time already vouched for; rows before it come too late. Also returns (line, rows lost) of each fall.
    Raises FileTrouble where time goes back for good.
    """
    keep = usable.copy()
    falls: list[tuple[int, int]] = []
    if floor is not None:
        below = keep & (tick < floor)
        if below.any():
            falls.append(_fall(file, int(line[below][0]), int(below.sum()), 1))
            keep &= ~below
    used = np.flatnonzero(keep)
    steps_back = np.flatnonzero(np.diff(tick[used]) < 0)
    for first, last in _clusters(steps_back):
        low, high = max(0, first - HELD_ROWS // 2), min(len(used), last + 2 + HELD_ROWS // 2)
        near = tick[used[low:high]]
        # What stands before and behind stays: no row in between may contradict it.
        fits = np.flatnonzero((near >= tick[used[low - 1]]) if low else np.ones(len(near), bool))
        if high < len(used):
            fits = fits[near[fits] <= tick[used[high]]]
        dropped = np.ones(high - low, bool)
        dropped[fits[_longest_rising(near[fits].tolist())]] = False
        falls.append(_fall(file, int(line[used[first + 1]]), int(dropped.sum()), 1 + (last - first) // HELD_ROWS))
        keep[used[low:high][dropped]] = False
    return keep, falls


def _fall(file: str, line: int, dropped: int, places: int) -> tuple[int, int]:
    if dropped > GLITCH_ROWS * places:
        raise FileTrouble(
            f"{file}, row {line}: time goes back, and stays back",
            cause="two recordings in one file, or a clock that was set while it ran",
            step=f"Split the file at row {line}, or sort its rows by time",
        )
    return line, dropped


def _clusters(falls: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Falls that lie close together, as (first, last)."""
    if not len(falls):
        return
    splits = np.flatnonzero(np.diff(falls) > HELD_ROWS)
    firsts = np.concatenate([[0], splits + 1])
    lasts = np.concatenate([splits, [len(falls) - 1]])
    yield from zip(falls[firsts].tolist(), falls[lasts].tolist(), strict=True)


def _longest_rising(values: list[int]) -> list[int]:
    """Indices of the longest subsequence that never falls."""
    tails: list[int] = []
    tail_index: list[int] = []
    previous = [-1] * len(values)
    for i, value in enumerate(values):
        at = bisect_right(tails, value)
        if at:
            previous[i] = tail_index[at - 1]
        if at == len(tails):
            tails.append(value)
            tail_index.append(i)
        else:
            tails[at], tail_index[at] = value, i
    out = []
    i = tail_index[-1] if tail_index else -1
    while i >= 0:
        out.append(i)
        i = previous[i]
    return out[::-1]
