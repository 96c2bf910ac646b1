"""Which wheel it is: every wheel that comes into question explains the edges, and the best explanation must win
clearly.

An explanation names the wheel, which level its teeth make, the tooth that passed first, and how the trailing edges
come about. `evidence` weighs each. The wheel stands only if its best explanation beats that of every other wheel by
`CLEARLY`; if it leaves no more unexplained than its own inaccuracy allows; and if two whole turns of it were seen.
Otherwise the wheels that remain are named, best first.

A wheel of equal teeth looks much the same whatever their number: it is never identified.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Clock, Edges
from toothwise.wheel import catalogue
from toothwise.wheel.evidence import Ints, Weight, weigh
from toothwise.wheel.explain import Stretch, is_even
from toothwise.wheel.pattern import Wheel

CLEARLY = 10.0
"""Nats by which the wheel must beat all others: odds of twenty thousand to one, were the beliefs exact."""
MISFIT_MOST = 1.6
"""Mean square deviation, in usual sizes, beyond which even the best explanation explains nothing."""
TURNS = 2.0
"""A pattern must be seen to return."""
UNNAMED = 5.0
"""Nats against a wheel that is not in the catalogue."""
STRETCH = 400
"""Edges weighed at once: three turns of 60 slots."""
LONG = 1.45
"""An interval so many times its neighbours may be a gap's."""
PHASES = 4
"""Places of the first tooth that are looked at closer, of those that suit the intervals best."""
SUITS = 0.15
"""Wheels that predict intervals worse than the best one by so much, in log units, are not looked at closer, if there
are many edges."""
MANY = 100
"""Teeth beyond which neighbouring intervals tell enough for that."""
FAR = 40.0
"""Nats behind the best, by the leading edges alone, that the trailing ones cannot make good."""


@dataclass(frozen=True, slots=True)
class Identified:
    """wheel: None where it is not certain. candidates: names of those that could be, best first."""

    wheel: Wheel | None
    candidates: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Rated:
    """A wheel and its best explanation. teeth: how many passed."""

    wheel: Wheel
    weight: Weight
    teeth: int

    @property
    def log_density(self) -> float:
        return self.weight.log_density


def identify(edges: Edges, clock: Clock) -> Identified:
    """The wheel behind one channel's edges, or what it could be."""
    ticks = _alternating(edges)
    if len(ticks) < 4:
        return Identified(None)
    return decide(rate(ticks[:STRETCH]))


def _alternating(edges: Edges) -> Ints:
    """Ticks of the edges that change the level."""
    keep = np.ones(len(edges), bool)
    keep[1:] = edges.levels[1:] != edges.levels[:-1]
    return edges.ticks[keep]


def decide(rated: Iterable[Rated]) -> Identified:
    """The winner, if it wins clearly."""
    order = sorted(rated, key=lambda r: -r.log_density)
    if not order:
        return Identified(None)
    best = order[0]
    near = tuple(r.wheel.name for r in order if best.log_density - r.log_density < CLEARLY)
    sure = (
        len(near) == 1
        and not is_even(best.wheel)
        and best.weight.misfit <= MISFIT_MOST
        and best.teeth >= TURNS * best.wheel.teeth
    )
    return Identified(best.wheel if sure else None, near)


def candidates(ticks: Ints) -> list[Wheel]:
    """Every wheel of the catalogue, and any N-M whose number of teeth the long intervals repeat at."""
    names = dict.fromkeys(catalogue.NAMES)
    for first in (0, 1):
        names.update(dict.fromkeys(_by_gaps(ticks[first::2])))
    return [catalogue.wheel(name) for name in names]


def _by_gaps(lead: Ints) -> list[str]:
    span = np.maximum(np.diff(lead).astype(float), 0.5)
    if len(span) < 8:
        return []
    long = np.flatnonzero(span[1:-1] > LONG * np.sqrt(span[:-2] * span[2:]))
    apart, often = np.unique(np.diff(long), return_counts=True)
    usual = apart[np.argsort(-often, kind="stable")][:4].tolist()
    return [f"{teeth + m}-{m}" for teeth in usual if teeth >= 4 for m in (1, 2, 3)]


def rate(ticks: Ints) -> list[Rated]:
    """The best explanation of each wheel that comes into question."""
    wheels = candidates(ticks)
    stretches = [Stretch(ticks, first) for first in (0, 1)]
    places = [_look(stretch, wheels) for stretch in stretches]
    best = [max(w.log_density for _, w in chosen.values()) for chosen in places]
    out = []
    for i, wheel in enumerate(wheels):
        found: Weight | None = None
        for stretch, chosen, top in zip(stretches, places, best, strict=True):
            if i not in chosen or chosen[i][1].log_density < top - FAR:
                continue
            phases, rough = chosen[i]
            for phase in phases:
                for explanation in stretch.whole(wheel, phase):
                    weight = weigh(ticks, explanation, (rough.swing,))
                    if found is None or weight.log_density > found.log_density:
                        found = weight
            if is_even(wheel) and wheel.widths_deg is None:
                break  # the other level's teeth are the same wheel's
        if found is not None:
            cost = 0.0 if wheel.name in catalogue.NAMES else UNNAMED
            out.append(Rated(wheel, Weight(found.log_density - cost, found.misfit, found.swing), len(ticks) // 2))
    return out


def _look(stretch: Stretch, wheels: list[Wheel]) -> dict[int, tuple[list[int], Weight]]:
    """For each wheel worth it: which teeth may have led, and the leading edges' weight."""
    suits = [stretch.suits(wheel) for wheel in wheels]
    bound = min(float(s.min()) for s in suits) + SUITS if len(stretch.lead) > MANY else np.inf
    chosen = {}
    for i, (wheel, suit) in enumerate(zip(wheels, suits, strict=True)):
        if float(suit.min()) > bound:
            continue
        phases = np.argsort(suit, kind="stable")[:PHASES].tolist()
        weights = [weigh(stretch.lead, stretch.leading(wheel, phase)) for phase in phases]
        top = max(weights, key=lambda w: w.log_density)
        kept = [p for p, w in zip(phases, weights, strict=True) if w.log_density > top.log_density - FAR / 2]
        chosen[i] = kept, top
    return chosen
