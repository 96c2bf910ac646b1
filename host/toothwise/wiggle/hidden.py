"""How much of the time an interruption would have gone unseen, because the line was at its level already."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Clock, Edges
from toothwise.wiggle import rules

LONGEST_S = 0.5
"""A level held for longer is no turning wheel's."""


class Hidden:
    """Of one turning channel: shares of the time, for each level and each class of duration."""

    def __init__(self, clock: Clock) -> None:
        self._limits = np.array([clock.ticks(s) for _, s in rules.CLASSES], np.int64)
        self._most = clock.ticks(LONGEST_S)
        self._whole = 0
        self._unseen = np.zeros((2, len(self._limits)))
        self._last: tuple[int, int] | None = None

    def feed(self, edges: Edges) -> None:
        if not len(edges):
            return
        ticks, levels = edges.ticks, edges.levels
        if self._last is not None:
            ticks = np.concatenate([[self._last[0]], ticks])
            levels = np.concatenate([np.array([self._last[1]], np.uint8), levels])
        self._last = int(ticks[-1]), int(levels[-1])
        spans, held = np.diff(ticks), levels[:-1]
        fine = spans < self._most
        spans, held = spans[fine], held[fine]
        self._whole += int(spans.sum())
        for level in (0, 1):
            self._unseen[level] += _room(spans[held == level], self._limits)

    def shares(self) -> dict[str, dict[str, float]] | None:
        """{"high": {"1us": share, …}, "low": …}: the chance that an interruption to that level, beginning at any
        moment, leaves no edge. None where nothing turned."""
        if not self._whole:
            return None
        names = [name for name, _ in rules.CLASSES]
        return {
            side: dict(zip(names, np.round(self._unseen[level] / self._whole, 6).tolist(), strict=True))
            for side, level in (("high", 1), ("low", 0))
        }


def _room(spans: NDArray[np.int64], limits: NDArray[np.int64]) -> NDArray[np.float64]:
    """Ticks at which an interruption of each length could begin and be over within a span."""
    return np.array([np.maximum(spans - limit, 0).sum() for limit in limits.tolist()], np.float64)
