"""Signal and engine together: all measures of the signal, how the cam moves, and the cylinders in their cycle."""

from __future__ import annotations

from toothwise.checks.cam_moves import first_turn, of_cycles
from toothwise.checks.cylinders import CylinderCheck
from toothwise.checks.measures import Measures
from toothwise.edges.signal import Clock, Edges
from toothwise.records import Measure
from toothwise.track.teeth import Teeth


class EngineMeasures:
    """A check that streams. `cylinders` is None where nobody knows how many there are."""

    def __init__(self, measures: Measures, cylinders: CylinderCheck | None, clock: Clock) -> None:
        self._measures = measures
        self._cylinders = cylinders
        self._clock = clock
        self._first: int | None = None

    def feed_edges(self, channel: str, edges: Edges) -> None:
        self._measures.feed_edges(channel, edges)
        if channel == self._measures.crank and self._first is None and len(edges):
            self._first = int(edges.ticks[0])

    def feed(self, channel: str, teeth: Teeth) -> None:
        self._measures.feed(channel, teeth)
        if self._cylinders is not None:
            self._cylinders.feed(channel, teeth)

    def finish(self) -> list[Measure]:
        found = self._measures.finish()
        if self._first is not None:
            since_start = self._clock.span_s(self._first)
            found.append(Measure("first_edge", since_start, "s", self._clock.span_s(1) / 12**0.5))
        cam = self._measures.cam_edges
        found += of_cycles(*cam.cycles()[:3])
        if self._cylinders is not None:
            # Which turn begins the cycle only the cam knows, and only at the end.
            self._cylinders.cycle_turn = first_turn(cam)
            found += self._cylinders.finish()
        return found
