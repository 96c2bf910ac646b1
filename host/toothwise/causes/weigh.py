"""Weighing the causes: which are carried by evidence, which are ruled out by it, and which nobody has tested.

Each sign that was looked for multiplies a cause's odds by how much more likely its answer is under that
cause than on the whole (likelihood.toml); the logarithm of that is capped, so that no single sign decides
alone. Weights are the shares that come out, one cause at a time: two faults show as two causes left open.

How a cause stands, by rule:

    supported      it holds most of the weight, well ahead of the next one, and something measured speaks for it
    contradicted   something measured speaks strongly against it, and hardly any weight is left
    untested       nothing was measured that would show it
    possible       anything else

Codes and complaints point and never carry: on them alone no cause is supported or contradicted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from toothwise.causes.findings import Findings
from toothwise.causes.likelihood import CAUSES, NOTHING, Table, table
from toothwise.causes.signs import Sighting, look

STANDS = ("supported", "possible", "untested", "contradicted")
"""In the order in which they are listed."""

# The levels that decide how a cause stands. All are judgements, no source, as the table's figures are.
CAP = math.log(40.0)
"""No single sign moves the odds by more than this, either way."""

COMPLAINS = frozenset(("crank_code", "cam_code", "timing_code", "engine_code", "supply_code", "complaint"))
"""What the card says is wrong."""

PAPER = COMPLAINS | {"proven", "kind"}
"""Signs that are no measurement of the fault itself."""

CARRIED = 0.75
"""Share of the weight that a supported cause holds at least: three in four."""

AHEAD = 4.0
"""A supported cause weighs so many times as much as the next one; what remains when no fault shows, as any fault."""

CLEARLY = 1.5
"""`unproven` is supported while what is no fault weighs so many times as much as any fault that was tested: it claims
nothing, so that it needs less than AHEAD."""

SPEAKS = math.log(3.0)
"""A measurement speaks for a cause from here on: its answer is three times as likely under it as on the whole."""

AGAINST = -math.log(6.0)
"""A measurement speaks strongly against a cause from here on. Twice as much is asked as for SPEAKS: what was ruled out
is not looked at again."""

LITTLE = 0.02
"""Share of the weight that a contradicted cause has left at most."""

WORTH_SAYING = math.log(1.5)
"""What moves a cause's odds by less, either way, is not told among its reasons."""

SHOWS = math.log(4.0)
"""A sign tests a cause where one of its answers is so many times more or less likely than when nothing is wrong."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """One cause, weighed. weight: its share of 1. pro, con: sightings with their logarithms, the strongest first."""

    cause: str
    weight: float
    stands: str
    pro: tuple[tuple[float, Sighting], ...]
    con: tuple[tuple[float, Sighting], ...]

    @property
    def text(self) -> str:
        return CAUSES[self.cause]


Worth = dict[str, list[tuple[float, Sighting]]]
"""By cause: each sighting with the logarithm that it moves the cause's odds by."""


def weigh(findings: Findings) -> list[Weighed]:
    """All causes: by how they stand, then the weightiest first."""
    return weigh_sightings(look(findings), table())


def causes(findings: Findings) -> list[dict[str, Any]]:
    """The "causes" of the JSON: all ids in the order of `weigh`, with what would decide next."""
    from toothwise.causes.plan import next_words  # the plan itself needs the weighing

    sightings = look(findings)
    weighed = weigh_sightings(sightings, table())
    return [
        {
            "cause": w.cause,
            "text": w.text,
            "fault": w.cause not in NOTHING,
            "stands": w.stands,
            "weight": round(w.weight, 4),
            "for": [sighting.words for _, sighting in w.pro],
            "against": [sighting.words for _, sighting in w.con],
            "next": next_words(w, weighed, sightings, findings),
        }
        for w in weighed
    ]


def weights(sightings: Sequence[Sighting], likelihood: Table) -> dict[str, float]:
    """Each cause's share of 1."""
    logs = {
        cause: math.log(likelihood.prior[cause]) + sum(_worth(s, cause, likelihood) for s in sightings)
        for cause in CAUSES
    }
    top = max(logs.values())
    shares = {cause: math.exp(value - top) for cause, value in logs.items()}
    whole = sum(shares.values())
    return {cause: share / whole for cause, share in shares.items()}


def weigh_sightings(sightings: Sequence[Sighting], likelihood: Table) -> list[Weighed]:
    """All causes from signs that were looked for: by how they stand, then the weightiest first."""
    shares = weights(sightings, likelihood)
    worth = {c: [(_worth(s, c, likelihood), s) for s in sightings] for c in CAUSES}
    weighed = [
        Weighed(
            cause=cause,
            weight=shares[cause],
            stands=_stands(cause, shares, worth, likelihood),
            pro=tuple(sorted((p for p in worth[cause] if p[0] >= WORTH_SAYING), key=lambda p: -p[0])),
            con=tuple(sorted((p for p in worth[cause] if p[0] <= -WORTH_SAYING), key=lambda p: p[0])),
        )
        for cause in CAUSES
    ]
    return sorted(weighed, key=lambda w: (STANDS.index(w.stands), -w.weight))


def _worth(sighting: Sighting, cause: str, likelihood: Table) -> float:
    ratio = likelihood.log_ratio(sighting.sign, sighting.outcome, cause)
    return sighting.strength * min(CAP, max(-CAP, ratio))


def _stands(cause: str, shares: dict[str, float], worth: Worth, likelihood: Table) -> str:
    if cause in NOTHING:
        return _nothing_stands(cause, shares, worth, likelihood)
    measured = _measured(worth[cause])
    strongest, weakest = max(measured, default=0.0), min(measured, default=0.0)
    next_best = max(share for other, share in shares.items() if other != cause)
    if shares[cause] >= CARRIED and shares[cause] >= AHEAD * next_best and strongest >= SPEAKS:
        return "supported"
    if shares[cause] <= LITTLE and weakest <= AGAINST:
        return "contradicted"
    return "possible" if _tested(cause, [s.sign for _, s in worth[cause]], likelihood) else "untested"


def _measured(worth: list[tuple[float, Sighting]]) -> list[float]:
    return [value for value, sighting in worth if sighting.sign not in PAPER]


def _tested(cause: str, signs: Sequence[str], likelihood: Table) -> bool:
    """Whether one of the signs is a measurement that answers otherwise when this is the cause than when nothing is."""
    for sign in signs:
        chance = likelihood.signs[sign].chance
        apart = (chance[cause][o] / chance["unproven"][o] for o in likelihood.signs[sign].outcomes)
        if sign not in PAPER and any(abs(math.log(ratio)) >= SHOWS for ratio in apart):
            return True
    return False


def _nothing_stands(cause: str, shares: dict[str, float], worth: Worth, likelihood: Table) -> str:
    """The two that are no fault of the signal.

    `look_past_signal` needs the signal proven where the control unit takes it, and something that still
    complains: the crank signal's own code, while nothing measured speaks for a fault, or anything else where no
    fault weighs much. A code that comes and goes may have its fault in a moment not recorded. `unproven` is what
    is left while neither that nor any fault is shown.
    """
    sightings = [s for _, s in worth[cause]]
    names = [s.sign for s in sightings]
    if all(name in PAPER for name in names):
        return "untested" if cause == "look_past_signal" else "supported"
    signs = {(s.sign, s.outcome) for s in sightings}
    proven = ("proven", "at the control unit") in signs
    returns = any(sign in COMPLAINS and outcome != "none" for sign, outcome in signs)
    nothing = sum(shares[c] for c in NOTHING)
    faults = max(share for c, share in shares.items() if c not in NOTHING)
    tested = max((s for c, s in shares.items() if c not in NOTHING and _tested(c, names, likelihood)), default=0.0)
    if cause == "look_past_signal":
        own = any(sign == "crank_code" and outcome not in ("none", "intermittent") for sign, outcome in signs)
        spoken = any(max(_measured(worth[c]), default=0.0) >= SPEAKS for c in CAUSES if c not in NOTHING)
        if proven and ((own and not spoken) or (returns and nothing >= AHEAD * faults)):
            return "supported"
    elif not (proven and returns) and nothing >= CLEARLY * tested:
        return "supported"
    return "contradicted" if nothing <= LITTLE else "possible"
