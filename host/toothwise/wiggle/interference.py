"""Extra edges that follow the ignition or the alternator: named, and no contact's.

The order is found by the order test of `checks`; an event belongs to it when most of its distances to the next few
extra edges on both sides are whole numbers of that order. A contact's own edges lie between them by chance.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from toothwise.checks.orders import FEWEST, LAGS, Orders
from toothwise.records import Event as Finding
from toothwise.wiggle.disturbance import Event

ROUNDS = 2
"""Sources looked for, one after the other."""
NEAR_TURNS = 8.0
KEEPS = 0.7
"""Cosine of a distance from a whole number of the order that still counts as whole: an eighth of it [D]."""


def name_interference(events: Iterable[Event]) -> list[dict[str, Any]]:
    """Put the source into each event that belongs to one; the orders found, with how many events kept to each."""
    lone = [event for event in events if event.kinds == ("extra",)]
    found = []
    for _ in range(ROUNDS):
        told = _one(event for event in lone if not event.interference)
        if told is None:
            break
        found.append(told)
    return found


def _one(events: Iterable[Event]) -> dict[str, Any] | None:
    placed = [(event, turn) for event in events if (turn := _turn(event)) is not None]
    if len(placed) < FEWEST:
        return None
    orders = Orders()
    orders.add(tuple(_finding(event) for event, _ in placed))
    for measure in orders.measures():
        source = measure.about.get("source")
        if not measure.about.get("keeps") or not source:
            return None
        turns = np.array([turn for _, turn in placed])
        keeping = _keep(turns, measure.value)
        for (event, _), keeps in zip(placed, keeping, strict=True):
            if keeps:
                event.interference = source
        if any(keeping):
            return {"source": source, "order": measure.value, "spread": measure.uncertainty, "events": sum(keeping)}
    return None


def _keep(turns: np.ndarray[Any, np.dtype[np.float64]], order: float) -> list[bool]:
    """Whether each one's distances to its neighbours are whole numbers of the order, most of them."""
    kept = []
    for i, turn in enumerate(turns):
        near = np.concatenate([turns[max(i - LAGS, 0) : i], turns[i + 1 : i + 1 + LAGS]]) - turn
        near = near[np.abs(near) < NEAR_TURNS]
        whole = np.cos(2 * np.pi * order * near) > KEEPS
        kept.append(bool(len(near) and 2 * whole.sum() > len(near)))
    return kept


def _turn(event: Event) -> float | None:
    part = event.parts[0]
    if part.revolution is None or part.angle_deg is None:
        return None
    return part.revolution + part.angle_deg / 360.0


def _finding(event: Event) -> Finding:
    part = event.parts[0]
    return Finding(
        "extra", part.channel, part.tick, part.end_tick, part.revolution, part.tooth, part.angle_deg, part.count
    )
