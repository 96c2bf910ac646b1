"""How many to check, and what a count of failures says: bounds, zero-failure sizes, single sampling by attributes.

The sampling plans are those of ANSI/ASQ Z1.4 (from memory; the same as ISO 2859-1 and MIL-STD-105E, Tables I and II-A),
normal inspection, single sampling. The master table has one rule behind it: along a diagonal of code letter and
acceptable quality level the acceptance number stays the same, because the mean number of failures does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from toothwise.bench.special import binomial_cdf, solve
from toothwise.errors import Trouble
from toothwise.wiggle.exact import upper_bound

LETTERS = "ABCDEFGHJKLMNPQR"
SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
LEVELS = (0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)
"""Acceptable quality levels in per cent."""
_ZERO_DIAGONAL = 14  # letter's place + level's place where the acceptance number is 0
_ACCEPT = (0, None, None, 1, 2, 3, 5, 7, 10, 14, 21)  # diagonals from there on; None: an arrow
_LOTS = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)
_LETTERS_OF = {
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
}


@dataclass(frozen=True, slots=True)
class Plan:
    """Draw `size`; accept the lot with up to `accept` failures.

    letter: of the lot's size; the plan's own may be another where the table has an arrow. aql: in per cent.
    """

    letter: str
    size: int
    accept: int
    aql: float
    lot_size: int
    level: str

    def accepts(self, share_bad: float) -> float:
        """Probability that a lot with this share of bad ones is accepted: the operating characteristic (binomial)."""
        return binomial_cdf(self.accept, self.size, share_bad)

    def share_at(self, probability: float) -> float:
        """The share of bad ones that is accepted with this probability: 0.95 the producer's, 0.10 the consumer's."""
        return solve(lambda p: probability - self.accepts(p), 0.0, 1.0)

    def decide(self, failures: int, checked: int) -> tuple[str, str]:
        """ "accept", "reject" or "go on", and why in words."""
        if failures > self.accept:
            return "reject", f"{_failures(failures)}, more than the {self.accept} that the plan allows"
        if checked < self.size:
            return "go on", f"{self.size - checked} of {self.size} are still to be checked"
        return "accept", f"{_failures(failures)} in {checked}, not more than the {self.accept} that the plan allows"


def _failures(n: int) -> str:
    return "1 failure" if n == 1 else f"{n} failures"


def plan(lot_size: int, aql: float, level: str = "II") -> Plan:
    """The single sampling plan, normal inspection, for a lot of this size. Raises Trouble for what no table has."""
    if level not in _LETTERS_OF or aql not in LEVELS or lot_size < 2:
        raise Trouble(
            f"there is no plan for a lot of {lot_size}, level {level}, acceptable quality level {aql:g} %",
            cause=f"the tables have levels {', '.join(_LETTERS_OF)} and {', '.join(f'{a:g}' for a in LEVELS)} %",
            step="choose one of those",
        )
    letter = _LETTERS_OF[level][sum(lot_size > most for most in _LOTS)]
    row, column = LETTERS.index(letter), LEVELS.index(aql)
    # Arrows point to the nearest plan: up from the first one beside a 0, down otherwise.
    while True:
        step = row + column - _ZERO_DIAGONAL
        accept = _ACCEPT[step] if 0 <= step < len(_ACCEPT) else None
        if accept is not None or row + (down := _direction(step, row)) not in range(len(LETTERS)):
            break
        row += down
    if accept is None:
        raise Trouble(f"no plan reaches an acceptable quality level of {aql:g} %", step="choose a higher one")
    size = min(SIZES[row], lot_size)  # a sample as large as the lot: every one is checked
    return Plan(letter, size, accept, aql, lot_size, level)


def _direction(step: int, row: int) -> int:
    return -1 if step >= len(_ACCEPT) or (step == 1 and row > 0) else 1


def zero_failure_size(confidence: float, reliability: float) -> int:
    """How many must pass without a failure to state with this confidence that this share is good:
    the least n with reliability**n <= 1 - confidence."""
    return math.ceil(math.log(1.0 - confidence) / math.log(reliability) - 1e-9)


def clopper_pearson(failures: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided exact bounds of the share of failures (Clopper and Pearson, Biometrika 26, 1934, 404-413)."""
    sure = (1.0 + confidence) / 2.0
    return 1.0 - upper_bound(n - failures, n, sure), upper_bound(failures, n, sure)
