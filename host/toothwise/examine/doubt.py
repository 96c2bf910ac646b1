"""Whether the signal is another wheel's than the one that was told: a slip of the keyboard, or the wrong part."""

from __future__ import annotations

from toothwise.edges.signal import Clock, Edges
from toothwise.wheel.pattern import Wheel

_MOST = 768
"""Edges kept: six turns of 58 teeth. Weighing them against every wheel takes about a second."""
_FIRST = 128
"""Left aside where more follow: a start's."""
_FAULTY = 0.7
"""Share of the turns with a fault from which the wheel itself is in question."""
_TURNS = 4
"""Turns below which nothing is."""


class OtherWheel:
    """Keeps the first edges of the crank, and names the wheel they show where the told one hardly fits."""

    def __init__(self, told: Wheel, clock: Clock) -> None:
        self._told = told
        self._clock = clock
        self._held: list[Edges] = []
        self._count = 0

    def feed(self, edges: Edges) -> None:
        room = _MOST - self._count
        if room > 0 and len(edges):
            self._held.append(Edges(edges.ticks[:room], edges.levels[:room]))
            self._count += len(self._held[-1])

    def name(self, faulty: int, revolutions: int) -> str:
        """The other wheel's name; empty where the told one fits, or none fits better beyond doubt.

        faulty: turns of the crank with a missing or extra event, of so many `revolutions` of the told wheel.
        """
        if revolutions < _TURNS or faulty < _FAULTY * revolutions:
            return ""
        from toothwise.wheel.identify import identify  # only where a wheel is to be made out

        held = Edges.join(self._held)
        begin = _FIRST if len(held) >= 4 * _FIRST else 0
        found = identify(Edges(held.ticks[begin:], held.levels[begin:]), self._clock).wheel
        return "" if found is None or found.angles_deg == self._told.angles_deg else found.name
