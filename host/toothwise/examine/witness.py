"""A wheel that stopped, or a line that went still: another channel on the same engine can tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from toothwise.edges.signal import Clock, Edges, Ticks
from toothwise.records import Event

_PASSINGS = 4
"""So many passings on the other channel prove a turn of the crank on any cam wheel of the catalogue: the
slowest has one tooth, whose two edges pass once in two turns of the crank."""

_APART_S = 1e-3
"""Level changes closer than this are one passing: a bouncing contact must not bear witness (common practice,
no source)."""

_MOST = 4096
"""Enough to prove anything; more are not kept, however long the other line is still."""


class Witness:
    """Keeps the other channel's latest edges, to be asked about a stretch in which this one was still."""

    def __init__(self, clock: Clock, channel: str) -> None:
        self._channel = channel
        self._apart = clock.ticks(_APART_S)
        self._ticks: Ticks = np.empty(0, np.int64)

    def feed(self, edges: Edges) -> None:
        room = _MOST - len(self._ticks)
        if len(edges) and room > 0:
            self._ticks = np.concatenate([self._ticks, edges.ticks[:room]])

    def forget(self, before_tick: int) -> None:
        """Nothing will be asked about the time before this tick any more."""
        self._ticks = self._ticks[np.searchsorted(self._ticks, before_tick) :]

    def corrected(self, event: Event) -> Event:
        """A `stopped` event as `silent`, where the other channel went on turning; any other event as it
        is."""
        if event.kind != "stopped":
            return event
        start, end = np.searchsorted(self._ticks, (event.tick, event.end_tick))
        inside = self._ticks[start:end]
        passings = 0 if not len(inside) else 1 + int((np.diff(inside) > self._apart).sum())
        if passings < _PASSINGS:
            return event
        return replace(
            event,
            kind="silent",
            more={**event.more, "proof": f"{self._channel} went on turning", "at_least": True},
        )
