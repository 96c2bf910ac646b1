"""A wheel that stopped, or a line that went still: another channel on the same engine can tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from toothwise.edges.signal import Clock, Edges, Ticks
from toothwise.records import Event
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

_PASSINGS = 4
"""So many passings of the cam's few edges prove a turn of the crank on any cam wheel of the catalogue: the
slowest has one tooth, whose two edges pass once in two turns of the crank."""

_APART_S = 1e-3
"""Level changes closer than this are one passing: a bouncing contact must not bear witness (common practice,
no source)."""

_MOST = 4096
"""Enough to prove anything; more are not kept, however long the other line is still."""

_MOST_TURNS = 65536
"""An hour and more at idle."""

_CAM_TURN = 2.0
"""Turns of the crank to one of the cam, four strokes."""

_OVERDUE = 1.5
"""A cam line is silent when it is still for so many of its own longest intervals: then an edge was due and did not
come, whatever an actuator does."""


class CamWitness:
    """Keeps the cam's latest edges, to be asked about a stretch in which the crank's line was still."""

    def __init__(self, clock: Clock) -> None:
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
        """A `stopped` event as `silent`, where the cam went on turning; any other event as it is."""
        if event.kind != "stopped":
            return event
        start, end = np.searchsorted(self._ticks, (event.tick, event.end_tick))
        inside = self._ticks[start:end]
        passings = 0 if not len(inside) else 1 + int((np.diff(inside) > self._apart).sum())
        return event if passings < _PASSINGS else _silent(event, "cam")


class CrankWitness:
    """Keeps when the crank turned, to be asked what the cam's line did meanwhile.

    Every edge of a crank is not proof: a cam may rightly be still for a turn of the crank and more. What counts
    are whole turns by the crank's own teeth. An event waits here until those are decided as far as it reaches.
    """

    def __init__(self, channel: str, cam: Wheel) -> None:
        self._channel = channel
        longest = float(cam.steps_deg.max()) / cam.turn_deg * _CAM_TURN
        self._needed = max(_CAM_TURN, _OVERDUE * longest)
        self._turns: Ticks = np.empty(0, np.int64)  # of first teeth
        self._runs: dict[int, tuple[int, int]] = {}  # one unbroken rotation → first and last tick
        self._decided = -1
        self._waiting: list[Event] = []

    def feed(self, teeth: Teeth) -> None:
        """The crank's teeth."""
        if not len(teeth):
            return
        firsts = teeth.ticks[(teeth.tooth == 1) & (teeth.revolution >= 0)]
        self._turns = np.concatenate([self._turns, firsts])
        for run in np.unique(teeth.turning).tolist():
            ticks = teeth.ticks[teeth.turning == run]
            self._runs[run] = (self._runs.get(run, (int(ticks[0]), 0))[0], int(ticks[-1]))
        self._decided = int(teeth.ticks[-1])

    def forget(self, before_tick: int) -> None:
        """Nothing new will be asked about the time before this tick."""
        before_tick = min([before_tick, *(event.tick for event in self._waiting)])
        self._turns = self._turns[np.searchsorted(self._turns, before_tick) :]
        self._runs = {run: span for run, span in self._runs.items() if span[1] >= before_tick}

    def judged(self, events: list[Event], *, last: bool = False) -> list[Event]:
        """The cam's events that are clear by now, corrected: with these, and with those that waited.

        `stopped` is `silent` where the crank turned on for long. A shorter stop, and a `contact`, are none where it
        turned: the cam's edges are too few to tell. last: there will be no more teeth.
        """
        self._waiting += events
        ready = [e for e in self._waiting if last or not _in_doubt(e) or e.end_tick <= self._decided]
        self._waiting = [e for e in self._waiting if e not in ready]
        self._turns = self._turns[-_MOST_TURNS:]
        return [found for event in ready if (found := self._corrected(event)) is not None]

    def _corrected(self, event: Event) -> Event | None:
        if not _in_doubt(event):
            return event
        turned = any(a <= event.tick and event.end_tick <= b for a, b in self._runs.values())
        if event.kind == "stopped":
            start, end = np.searchsorted(self._turns, (event.tick, event.end_tick))
            if end - start > self._needed:
                return _silent(event, self._channel)
        return None if turned else event


def _in_doubt(event: Event) -> bool:
    return event.kind in ("contact", "stopped")


def _silent(event: Event, proof: str) -> Event:
    return replace(event, kind="silent", more={**event.more, "proof": f"{proof} went on turning", "at_least": True})
