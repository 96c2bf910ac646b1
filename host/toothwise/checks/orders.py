"""Order test: do extra edges come a fixed number of times a turn, as a spark or an alternator would make them?

The turn of the crank at each extra edge gives the distances from one to the next, and to the second and third next.
If the edges keep to order q, every distance is a whole number of 1/q turns, and the mean of cos(2π·q·distance) is
near 1; edges that keep to nothing leave it near 0. The smallest q that does nearly as well as the best is the order.

What makes them: the ignition z/2 a turn [D], moving slowly with the spark; the alternator 15–18 or 90–108 a turn, from
six pole pairs and a pulley ratio of 2.5 to 3 [M], and six ripples to a pole pair [D].
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.records import Event, Measure

Floats = NDArray[np.float64]

LAGS = 3
HIGHEST = 130.0
LOWEST = 0.4
NEARLY = 0.85
"""Share of the best's coherence at which a smaller order is preferred."""
LIKELY = 0.01
"""Greatest chance of so much coherence among edges that keep to nothing."""
NOT_BELOW = 0.7
"""No order whose period is much longer than the usual distance: near 0 any order seems kept."""
NEAR_TURNS = 32.0
"""Sparks that jump over one time in twenty leave no neighbour within a few turns."""
OWN = 0.8
"""Share of an order's coherence that a multiple of the slots must reach for the edges to be the wheel's own."""
FEWEST, MOST = 8, 4096
"""Events looked at: the first so many."""
IGNITION = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
"""Sparks a turn: z/2, and 1/2 and 1 where one cylinder alone disturbs."""
ALTERNATOR = ((15.0, 18.0), (90.0, 108.0))


class Orders:
    """Feed events whose angle is known; the measure `extra_order` in events a turn, with its spread.

    slots: of the wheel, in a turn of the crank.
    Where the edges keep to no order the value is how many came a turn while they came, `about` says so, and the
    spread is as wide.
    """

    def __init__(self, slots: int) -> None:
        self._slots = slots
        self._turns: list[float] = []

    def add(self, events: tuple[Event, ...]) -> None:
        turns = [
            e.revolution + e.angle_deg / 360.0
            for e in events
            if e.kind == "extra" and e.revolution is not None and e.angle_deg is not None
        ]
        self._turns += turns[: MOST - len(self._turns)]

    def measures(self) -> list[Measure]:
        turns = np.sort(np.array(self._turns, np.float64))
        if len(turns) < FEWEST:
            return []
        near = [d[(d > 0.5 / HIGHEST) & (d < 8.0)] for d in (turns[k:] - turns[:-k] for k in range(1, LAGS + 1))]
        steps = np.concatenate(near)
        if len(steps) < FEWEST:
            return []
        order, coherence = best_order(steps, max(LOWEST, NOT_BELOW / float(np.median(near[0]))))
        tried = (HIGHEST - LOWEST) * float(np.median(steps)) * 4
        chance = float(-np.expm1(np.log1p(-np.exp(-len(near[0]) * coherence**2)) * max(tried, 1.0)))
        if chance > LIKELY or coherence < 0.5:
            rate = 1.0 / np.diff(turns).clip(1e-6)
            middle = float(np.median(rate))
            return [Measure("extra_order", middle, "events/rev", middle, {"keeps": False, "p": chance})]
        # A spread of s in order·distance leaves a coherence of exp(-(2πs)²/2) [D].
        wander = np.sqrt(-2 * np.log(min(coherence, 1 - 1e-12))) / (2 * np.pi)
        spread = order * wander / (order * float(np.median(near[0])))
        about: dict[str, Any] = {"keeps": True, "p": chance}
        source = _source(order, spread)
        if source and not (source == "alternator" and _is_the_wheels(turns, order, self._slots)):
            about["source"] = source
        return [Measure("extra_order", order, "events/rev", float(spread), about)]


def best_order(steps: Floats, lowest: float = LOWEST) -> tuple[float, float]:
    """Order and coherence of distances in turns; orders from `lowest` on."""
    fine = 0.05 / max(float(np.quantile(steps, 0.9)), 0.05)
    orders = np.arange(lowest, HIGHEST + fine, fine)
    coherence = np.concatenate([_coherence(part, steps) for part in np.array_split(orders, 1 + len(orders) // 512)])
    peaks = np.flatnonzero((coherence >= np.roll(coherence, 1)) & (coherence >= np.roll(coherence, -1)))
    good = peaks[coherence[peaks] >= NEARLY * coherence[peaks].max()]
    start = float(orders[good[0]])
    near = np.linspace(start - fine, start + fine, 41)
    exact = _coherence(near, steps)
    return float(near[exact.argmax()]), float(exact.max())


def _coherence(orders: Floats, steps: Floats) -> Floats:
    return np.asarray(np.cos(2 * np.pi * np.outer(orders, steps)).mean(axis=1))


def _source(order: float, spread: float) -> str:
    room = max(2 * spread, 0.02 * order)
    if any(low - room <= order <= high + room for low, high in ALTERNATOR):
        return "alternator"
    if any(abs(order - z) <= max(0.03 * z, min(room, 0.1)) for z in IGNITION):
        return "ignition"
    return ""


def _is_the_wheels(turns: Floats, order: float, slots: int) -> bool:
    """Whether a multiple of the slots is kept to as well as an order so high: contacts that come at even distances make
    orders beside it look kept. Sparks keep to the slots too, at their few angles; theirs is the lower order."""
    steps = np.diff(turns)
    steps = steps[steps < NEAR_TURNS]
    orders = np.array([order, *range(slots, int(HIGHEST) + 1, slots)], np.float64)
    kept = np.cos(2 * np.pi * np.outer(orders, steps)).mean(axis=1)
    return bool((kept[1:] >= OWN * kept[0]).any())
