"""Which wheel it is: every wheel that comes into question explains the edges, and the best explanation must win
clearly.

An explanation names the wheel, which level its teeth make, the tooth that passed first, and how the trailing edges
come about. `evidence` weighs each. The wheel stands only if its best explanation beats that of every other wheel by
`CLEARLY`; if it leaves no more unexplained than its own inaccuracy allows; and if two whole turns of it were seen.
Otherwise the wheels that remain are named, best first.

A wheel of equal teeth looks much the same whatever their number: it is never identified.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from toothwise.edges.signal import Clock, Edges
from toothwise.wheel import catalogue
from toothwise.wheel.evidence import SWINGS, Ints, Weight, weigh
from toothwise.wheel.explain import Stretch, is_even
from toothwise.wheel.pattern import Wheel

CLEARLY = 10.0
"""Nats by which the wheel must beat all others: odds of twenty thousand to one, were the beliefs exact."""
ELSEWHERE = 25.0
"""Nats by which an extra tooth elsewhere must beat the catalogue's place for it: at the pair, the swing passes for a
few degrees."""
MISFIT_MOST = 1.3
"""Mean square deviation, in usual sizes, beyond which even the best explanation explains nothing."""
TURNS = 2.0
"""A pattern must be seen to return."""
TURNS_UNNAMED = 2.9
"""And one that is not in the catalogue to return twice: two faults can be any number of teeth apart."""
UNNAMED = 7.0
"""Nats against a wheel that is not in the catalogue, and for each missing tooth more than two."""
SIZES = (400, 260, 128, 40)
"""Edges weighed at once; 400 are more than three turns of 60 slots."""
FEWEST = 6
"""Edges below which there is nothing to weigh."""
PIECES = 5
"""Stretches of one size."""
SILENT = 12.0
"""An interval so many times the usual one is no gap: a dropout, or a stop."""
LONG = 1.45
"""An interval so many times its neighbours may be a gap's."""
SHORT = 0.75
"""An interval below so much of both neighbours may be a close pair's."""
ROUGHLY_DEG = 2.5
"""A close pair is as close as another to so much."""
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
    def named(self) -> bool:
        return self.wheel.name in catalogue.NAMES

    @property
    def family(self) -> str:
        """The same for N+1 wheels that differ only in where the extra tooth stands."""
        return self.wheel.name.partition("@")[0]

    @property
    def log_density(self) -> float:
        return self.weight.log_density


def identify(edges: Edges, clock: Clock) -> Identified:
    """The wheel behind one channel's edges, or what it could be.

    The whole is weighed as one if it is short. If it is long, or has a fault in it that spoils every explanation,
    pieces of it are, ever shorter ones; two of them must then name the same wheel, and none another.
    """
    ticks = _alternating(edges)
    if len(ticks) < FEWEST:
        return Identified(None)
    votes: list[Wheel] = []
    least = np.inf
    near: tuple[str, ...] = ()
    for piece in _pieces(ticks):
        rated = rate(piece)
        found = decide(rated)
        misfit = min((r.weight.misfit for r in rated), default=np.inf)
        if misfit < least:
            least, near = misfit, found.candidates
        if found.wheel is not None:
            votes.append(found.wheel)
            if any(vote.name != found.wheel.name for vote in votes):
                return Identified(None, tuple(dict.fromkeys(vote.name for vote in votes)))
            if len(votes) == 2 or len(piece) == len(ticks):
                return found
        elif explained(rated):
            return found
    return Identified(None, near)


def _pieces(ticks: Ints) -> Iterator[Ints]:
    """The whole if it is short, else stretches from all over it, long ones first; none across a silence."""
    span = np.diff(ticks)
    for size in SIZES:
        many = min(len(ticks) // size, PIECES) if len(ticks) > size else int(size == SIZES[0])
        for start in np.linspace(0, max(len(ticks) - size, 0), max(many, 1)).astype(int)[:many].tolist():
            piece = ticks[start : start + size]
            silent = np.flatnonzero(span[start : start + size - 1] > SILENT * np.median(span[start : start + size - 1]))
            bounds = [0, *(silent + 1).tolist(), len(piece)]
            begin, end = max(pairwise(bounds), key=lambda b: b[1] - b[0])
            if end - begin >= FEWEST:
                yield piece[begin:end]


def _alternating(edges: Edges) -> Ints:
    """Ticks of the edges that change the level."""
    keep = np.ones(len(edges), bool)
    keep[1:] = edges.levels[1:] != edges.levels[:-1]
    return edges.ticks[keep]


def decide(rated: Iterable[Rated]) -> Identified:
    """The winner, if it wins clearly.

    Where the extra tooth of an N+1 stands on one side or the other, or a little nearer, may drown in the swing. That
    does not make N+1 uncertain: the catalogue's is then taken, whose angles explain the signal as well.
    """
    order = sorted(rated, key=lambda r: -r.log_density)
    if not order:
        return Identified(None)
    best = order[0]
    near = [r for r in order if best.log_density - r.log_density < CLEARLY]
    names = tuple(r.wheel.name for r in near)
    if is_even(best.wheel):
        # Whichever suits best: how many teeth there are is not in the signal.
        return Identified(None, tuple(r.wheel.name for r in order if is_even(r.wheel) or r.wheel.name in names))
    sure = (
        len({r.family for r in near}) == 1
        and best.weight.misfit <= MISFIT_MOST
        and best.weight.swing < SWINGS[0]
        and best.teeth >= (TURNS if best.named else TURNS_UNNAMED) * best.wheel.teeth
    )
    chosen = next((r for r in near if r.named), best)
    usual = next((r for r in order if r.named and r.family == chosen.family), chosen)
    if chosen is not usual and chosen.log_density - usual.log_density < ELSEWHERE:
        return Identified(None, (*names, usual.wheel.name))
    return Identified(chosen.wheel if sure else None, names)


def explained(rated: Iterable[Rated]) -> bool:
    """Whether equal teeth leave nothing odd: then it is not a fault that hides the wheel."""
    best = max(rated, key=lambda r: r.log_density)
    return is_even(best.wheel) and best.weight.misfit <= MISFIT_MOST and best.weight.swing < SWINGS[0]


def candidates(ticks: Ints) -> list[Wheel]:
    """Every wheel of the catalogue, and any N-M whose number of teeth the long intervals repeat at."""
    names = dict.fromkeys(catalogue.NAMES)
    for first in (0, 1):
        names.update(dict.fromkeys([*_by_gaps(ticks[first::2]), *_by_pairs(ticks[first::2])]))
    return [catalogue.wheel(name) for name in names]


def _by_gaps(lead: Ints) -> list[str]:
    span = np.maximum(np.diff(lead).astype(float), 0.5)
    if len(span) < 8:
        return []
    long = np.flatnonzero(span[1:-1] > LONG * np.sqrt(span[:-2] * span[2:]))
    apart, often = np.unique(np.diff(long), return_counts=True)
    usual = apart[np.argsort(-often, kind="stable")][:4].tolist()
    return [f"{teeth + m}-{m}" for teeth in usual if teeth >= 4 for m in (1, 2, 3)]


def _by_pairs(lead: Ints) -> list[str]:
    """N+1 wheels whose extra tooth stands elsewhere, by the intervals that are far shorter than both neighbours."""
    span = np.maximum(np.diff(lead).astype(float), 0.5)
    close = np.flatnonzero((span[1:-1] < SHORT * span[:-2]) & (span[1:-1] < SHORT * span[2:])) + 1
    teeth, often = np.unique(np.diff(close), return_counts=True)
    found = []
    for even in (teeth[np.argsort(-often, kind="stable")][:2] - 1).tolist():
        if not 3 <= even <= catalogue.MOST_SLOTS:
            continue
        usual = catalogue.plus_one(even).steps_deg[-1]
        for way, beside in ((1, close + 1), (-1, close - 1)):
            angle = way * float(np.median(span[close] / (span[close] + span[beside]))) * 360.0 / even
            if way < 0 and abs(-angle - usual) < ROUGHLY_DEG:
                angle = -usual
            angle = float(round(angle))
            if abs(angle - usual) >= ROUGHLY_DEG and 1.0 <= abs(angle) < 180.0 / even - ROUGHLY_DEG:
                found.append(f"{even}+1@{angle:g}")
    return found


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
            swings = SWINGS if len(ticks) <= MANY else (rough.swing,)
            for phase in phases:
                for explanation in stretch.whole(wheel, phase):
                    weight = weigh(ticks, explanation, swings)
                    if found is None or weight.log_density > found.log_density:
                        found = weight
            if is_even(wheel) and wheel.widths_deg is None:
                break  # the other level's teeth are the same wheel's
        if found is not None:
            cost = 0.0 if wheel.name in catalogue.NAMES else UNNAMED * max(wheel.slots - wheel.teeth - 1, 1)
            out.append(Rated(wheel, replace(found, log_density=found.log_density - cost), len(ticks) // 2))
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
        first = weigh(stretch.lead, stretch.leading(wheel, phases[0]))
        others = (weigh(stretch.lead, stretch.leading(wheel, phase), (first.swing,)) for phase in phases[1:])
        weights = [first, *others]
        top = max(weights, key=lambda w: w.log_density)
        kept = [p for p, w in zip(phases, weights, strict=True) if w.log_density > top.log_density - FAR / 2]
        chosen[i] = kept, top
    return chosen
