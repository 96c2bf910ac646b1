"""Stripe test: do faults keep to one tooth, or could chance have put so many there?

Where n faults fall on m teeth by chance, the largest number on any one tooth has an exact distribution:
P(all < x) = n!/mⁿ · [zⁿ] (Σ_{j<x} zʲ/j!)ᵐ, the multinomial's. `stripe_p` is the chance of a largest number as large
as was seen, or larger. It is small when faults keep to a tooth.
"""

from __future__ import annotations

from collections import Counter
from math import exp, lgamma, log, log1p

import numpy as np

from toothwise.records import Event, Measure

MOST = 2000
"""More faults than this are worked with the bound, which then is as good."""


class Stripes:
    """Feed one channel's events; one measure `stripe_p` for `missing` and one for `extra`, where there are two."""

    def __init__(self, teeth: int) -> None:
        self._teeth = teeth
        self._counts: dict[str, Counter[int]] = {"missing": Counter(), "extra": Counter()}

    def add(self, events: tuple[Event, ...]) -> None:
        for event in events:
            if event.kind in self._counts and event.tooth is not None:
                self._counts[event.kind][event.tooth] += 1

    def measures(self) -> list[Measure]:
        out = []
        for kind, counts in self._counts.items():
            total = counts.total()
            if total < 2 or self._teeth < 2:
                continue
            tooth, most = counts.most_common(1)[0]
            about = {"kind": kind, "tooth": tooth, "faults": total, "most": most}
            out.append(Measure("stripe_p", chance_of_most(total, self._teeth, most), "", None, about))
        return out


def chance_of_most(faults: int, teeth: int, most: int) -> float:
    """P(the fullest of `teeth` equally likely places holds `most` or more of `faults`); an upper bound, less than
    a millionth off, where it is below 1e-6 or there are very many."""
    if most <= -(-faults // teeth):
        return 1.0
    bound = min(1.0, teeth * _tail(faults, 1.0 / teeth, most))
    if bound < 1e-6 or faults > MOST:
        return bound
    # Poisson counts, given their sum, are multinomial: convolve m of them, each below `most`.
    mean = faults / teeth
    below = np.array([exp(j * log(mean) - mean - lgamma(j + 1)) for j in range(min(most, faults + 1))])
    whole, power, left = np.ones(1), below, teeth
    while left:
        if left & 1:
            whole = np.convolve(whole, power)[: faults + 1]
        power = np.convolve(power, power)[: faults + 1]
        left >>= 1
    of_sum = exp(faults * log(faults) - faults - lgamma(faults + 1))
    at = float(whole[faults]) if len(whole) > faults else 0.0
    return min(max(1.0 - at / of_sum, 0.0), 1.0)


def _tail(n: int, p: float, least: int) -> float:
    """P(binomial(n, p) ≥ least)."""
    if p >= 1.0:
        return 1.0
    terms = [
        lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1) + k * log(p) + (n - k) * log1p(-p)
        for k in range(least, n + 1)
    ]
    top = max(terms)
    return min(1.0, exp(top) * sum(exp(t - top) for t in terms))
