"""Values with their limits: worst cases and random draws."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

Values = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Spread:
    """A nominal value and the two ends it may have over tolerance, temperature and supply."""

    nominal: float
    low: float
    high: float

    @classmethod
    def of(cls, nominal: float, fraction: float) -> Spread:
        """Nominal plus or minus a fraction of itself."""
        return cls(nominal, nominal * (1 - fraction), nominal * (1 + fraction))

    @classmethod
    def around(cls, nominal: float, amount: float) -> Spread:
        """Nominal plus or minus an amount."""
        return cls(nominal, nominal - amount, nominal + amount)


def nominals(spreads: Mapping[str, Spread]) -> dict[str, float]:
    """Every value at its nominal."""
    return {name: spread.nominal for name, spread in spreads.items()}


def extremes(figure: Callable[[Values], float], spreads: Mapping[str, Spread]) -> Spread:
    """The figure at nominal values and at the two worst corners of all the spreads together.

    Each value is moved to either end alone to see which way it pushes; the corner that pushes all one way is
    then computed in full. Exact where the figure rises or falls with each value throughout, as a divider's
    voltage, a threshold or a delay does.
    """
    middle = nominals(spreads)
    centre = figure(middle)
    lowest, highest = dict(middle), dict(middle)
    for name, spread in spreads.items():
        if spread.low == spread.high:
            continue
        down, up = figure({**middle, name: spread.low}), figure({**middle, name: spread.high})
        rises = up >= down
        lowest[name], highest[name] = (spread.low, spread.high) if rises else (spread.high, spread.low)
    ends = (figure(lowest), figure(highest), centre)
    return Spread(centre, min(ends), max(ends))


def draw(spreads: Mapping[str, Spread], rng: np.random.Generator) -> dict[str, float]:
    """One set of values, each spread evenly between its ends: harsher than the bell a factory delivers."""
    return {name: float(rng.uniform(spread.low, spread.high)) for name, spread in spreads.items()}
