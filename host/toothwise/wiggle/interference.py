"""Extra edges that follow the ignition or the alternator: named, and no contact's.

The order is found by the order test of `checks`; a disturbance belongs to it when most of its distances to the next few
extra edges on both sides are whole numbers of that order. A contact's own edges lie between them by chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.orders import FEWEST, LAGS, Orders
from toothwise.records import Event as Finding
from toothwise.wiggle.disturbance import Disturbance

ROUNDS = 2
"""Sources looked for, one after the other."""
NEAR_TURNS = 8.0
KEEPS = 0.7
"""Cosine of a distance from a whole number of the order that still counts as whole: an eighth of it [D]."""
MOST = 200_000
"""Disturbances looked at: with more of them, what is wrong is not a contact that opens now and then."""


@dataclass(slots=True)
class Named:
    """rest: what belongs to no source. ticks: of what does. found: {"source", "order", "spread", "events"} each."""

    rest: list[Disturbance]
    ticks: list[int]
    found: list[dict[str, Any]]


def name_interference(parts: Sequence[Disturbance]) -> Named:
    """Disturbances of a turning wheel, in any order, told apart."""
    named = Named(sorted(parts, key=lambda part: part.tick), [], [])
    for _ in range(ROUNDS):
        placed = [part for part in named.rest if part.revolution is not None and part.angle_deg is not None]
        extras = [part for part in placed if part.kind == "extra"]
        told = _order(extras)
        if told is None:
            break
        source, order, spread = told
        at, by = _turns(placed), _turns(extras)
        gone = {id(part) for part, keeps in zip(placed, _keep(at, by, order), strict=True) if keeps}
        if not gone:
            break
        named.ticks += [part.tick for part in named.rest if id(part) in gone]
        named.rest = [part for part in named.rest if id(part) not in gone]
        named.found.append({"source": source, "order": order, "spread": spread, "events": len(gone)})
    named.ticks.sort()
    return named


def _order(extras: Sequence[Disturbance]) -> tuple[str, float, float | None] | None:
    """Source, order and spread that extra edges keep to; None for none, or one that is nobody's."""
    if len(extras) < FEWEST:
        return None
    orders = Orders()
    orders.add(tuple(_finding(part) for part in extras))
    for measure in orders.measures():
        source = measure.about.get("source")
        if measure.about.get("keeps") and source:
            return str(source), measure.value, measure.uncertainty
    return None


def _keep(at: NDArray[np.float64], by: NDArray[np.float64], order: float) -> list[bool]:
    """Whether each one's distances to its neighbours in `by` are whole numbers of the order, most of them."""
    kept = []
    for turn in at.tolist():
        i, j = np.searchsorted(by, (turn - 1e-9, turn + 1e-9))  # itself is among them
        near = np.concatenate([by[max(i - LAGS, 0) : i], by[j : j + LAGS]]) - turn
        near = near[np.abs(near) < NEAR_TURNS]
        whole = np.cos(2 * np.pi * order * near) > KEEPS
        kept.append(bool(len(near) and 2 * whole.sum() > len(near)))
    return kept


def _turns(parts: Sequence[Disturbance]) -> NDArray[np.float64]:
    return np.array([(part.revolution or 0) + (part.angle_deg or 0.0) / 360.0 for part in parts])


def _finding(part: Disturbance) -> Finding:
    return Finding(
        "extra", part.channel, part.tick, part.end_tick, part.revolution, part.tooth, part.angle_deg, part.count
    )
