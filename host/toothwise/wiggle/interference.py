"""Extra edges that follow the ignition or the alternator: named, and no contact's.

The order is found by the order test of `checks`; a disturbance belongs to it when most of its distances to the next few
extra edges on both sides are whole numbers of that order. A contact's own edges lie between them by chance.

A contact that holds the line lets go or takes hold at an edge of the wheel itself, more often than not: its extra edges
keep to the wheel's own slots and to multiples of them. So no multiple of the slots is anybody's order.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.orders import FEWEST, LAGS, NEAR_TURNS, Orders
from toothwise.records import Event
from toothwise.scatter import sigma
from toothwise.wiggle.disturbance import Disturbance

ROUNDS = 2
"""Sources looked for, one after the other."""
SPREADS, LEAST_ROOM, MOST_ROOM = 4.0, 0.03, 0.125
"""A distance counts as whole within so many of the order's own spreads, in periods, and within these two."""
SURE = 1e-5
"""Greatest chance of so much order among edges that keep to nothing, at which a contact may be taken for noise: it is
worse to lose the contact that is looked for than to count a spark as one."""
AGAIN = 1.25
"""The order so far is looked for again when there are so many times as many disturbances as at the last look."""
RECENT = 120
"""Of which the last so many are looked at."""
MOST = 200_000
"""Disturbances looked at: with more of them, what is wrong is not a contact that opens now and then."""


@dataclass(slots=True)
class Named:
    """rest: what belongs to no source. ticks: of what does. found: {"source", "order", "spread", "events"} each.
    orders: the same ones' orders, and how far from a whole number of them a distance may be, in periods."""

    rest: list[Disturbance]
    ticks: list[int]
    found: list[dict[str, Any]]
    orders: list[tuple[float, float]]


def name_interference(parts: Sequence[Disturbance], slots: int) -> Named:
    """Disturbances of a turning wheel with so many slots a turn of the crank, in any order, told apart."""
    named = Named(sorted(parts, key=lambda part: part.tick), [], [], [])
    for _ in range(ROUNDS):
        placed = [part for part in named.rest if _placed(part)]
        extras = [part for part in placed if part.kind == "extra"]
        told = _order(extras, slots)
        if told is None:
            break
        source, order, spread = told
        at, by = _turns(placed), _turns(extras)
        room = _room(by, order)
        gone = {id(part) for part, keeps in zip(placed, _keep(at, by, order, room), strict=True) if keeps}
        if not gone:
            break
        named.ticks += [part.tick for part in named.rest if id(part) in gone]
        named.rest = [part for part in named.rest if id(part) not in gone]
        named.found.append({"source": source, "order": order, "spread": spread, "events": len(gone)})
        named.orders.append((order, room))
    named.ticks.sort()
    return named


class NamedSoFar:
    """The same while a recording goes on, from the disturbances up to now.

    An order is known once as many extra edges keep to it as SURE takes, about 20 of them. What came until then was
    taken for contacts and is named afterwards; from then on each one is named as it comes. What the whole recording
    comes to is `name_interference`'s.
    """

    def __init__(self) -> None:
        self.found: list[dict[str, Any]] = []
        self.contacts: list[Disturbance] = []
        self._noise: list[Disturbance] = []
        self._by: list[float] = []  # turns of the named extra edges, the last ones, in order
        self._orders: list[tuple[float, float]] = []
        self._looked = 0

    @property
    def noise(self) -> int:
        """Disturbances named so far."""
        return len(self._noise)

    def feed(self, parts: Sequence[Disturbance], slots: int) -> tuple[list[Disturbance], bool]:
        """New disturbances. Which of them are no interference; and whether any that came before changed sides."""
        if len(self.contacts) + len(self._noise) > MOST:
            return list(parts), False
        own: list[Disturbance] = []
        for part in sorted(parts, key=lambda part: part.tick):
            known = self._is_known(part)
            (self._noise if known else own).append(part)
            if known and part.kind == "extra":
                insort(self._by, _turn(part))
        self._by = self._by[-RECENT:]
        self.contacts += own
        count = len(self.contacts) + len(self._noise)
        if count < max(FEWEST, AGAIN * self._looked):
            return own, False
        self._looked = count
        changed = self._look(slots)
        left = {id(part) for part in self.contacts}
        return [part for part in parts if id(part) in left], changed

    def _look(self, slots: int) -> bool:
        every = sorted([*self.contacts, *self._noise], key=lambda part: part.tick)
        recent = every[-RECENT:]
        named = name_interference(recent, slots)
        self.found, self._orders = named.found, named.orders
        begin, rest = recent[0].tick, {id(part) for part in named.rest}
        before = {id(part) for part in self.contacts}
        self.contacts = [p for p in every if (id(p) in rest if p.tick >= begin else id(p) in before)]
        after = {id(part) for part in self.contacts}
        self._noise = [part for part in every if id(part) not in after]
        self._by = sorted(_turn(p) for p in self._noise[-RECENT:] if p.kind == "extra" and _placed(p))
        return before != after

    def _is_known(self, part: Disturbance) -> bool:
        """Whether a new one keeps to an order that was found, by those before it."""
        by = np.array(self._by, np.float64)
        return _placed(part) and any(_keep(_turns([part]), by, *order)[0] for order in self._orders)


def _order(extras: Sequence[Disturbance], slots: int) -> tuple[str, float, float | None] | None:
    """Source, order and spread that extra edges keep to; None for none, or one that is nobody's."""
    if len(extras) < FEWEST:
        return None
    orders = Orders(slots)
    orders.add(tuple(_finding(part) for part in extras))
    for measure in orders.measures():
        source = measure.about.get("source")
        if measure.about.get("keeps") and source and measure.about["p"] <= SURE:
            return str(source), measure.value, measure.uncertainty
    return None


def _room(by: NDArray[np.float64], order: float) -> float:
    """How far from a whole number of the order the distances of those that keep to it are, at most, in periods."""
    off = np.diff(by) * order
    off = np.abs(off - np.rint(off))
    return float(np.clip(SPREADS * sigma(off), LEAST_ROOM, MOST_ROOM))


def _keep(at: NDArray[np.float64], by: NDArray[np.float64], order: float, room: float) -> list[bool]:
    """Whether each one's distances to its neighbours in `by` are whole numbers of the order, most of them."""
    kept = []
    for turn in at.tolist():
        i, j = np.searchsorted(by, (turn - 1e-9, turn + 1e-9))  # itself is among them
        near = np.concatenate([by[max(i - LAGS, 0) : i], by[j : j + LAGS]]) - turn
        near = near[np.abs(near) < NEAR_TURNS]
        off = np.abs(order * near - np.rint(order * near))
        kept.append(bool(len(near) and 2 * (off <= room).sum() > len(near)))
    return kept


def _turns(parts: Sequence[Disturbance]) -> NDArray[np.float64]:
    return np.array([_turn(part) for part in parts], np.float64)


def _turn(part: Disturbance) -> float:
    return _revolution(part) + (part.angle_deg or 0.0) / 360.0


def _revolution(part: Disturbance) -> int:
    """Before the first tooth 1 the turn has no number: it is the one before the first."""
    return -1 if part.revolution is None else part.revolution


def _placed(part: Disturbance) -> bool:
    return part.angle_deg is not None


def _finding(part: Disturbance) -> Event:
    return Event(
        "extra", part.channel, part.tick, part.end_tick, _revolution(part), part.tooth, part.angle_deg, part.count
    )
