"""The test plan: which test decides most for its minutes, told again after every result.

How much a test decides is the mean number of bits by which its answers would narrow down the causes, given
what is known so far. A test that answers several questions counts the sum, at most all the doubt there is.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from toothwise.causes.findings import Findings
from toothwise.causes.likelihood import CAUSES, Table, table
from toothwise.causes.signs import Sighting, look
from toothwise.causes.signs.meter import LIMITS
from toothwise.causes.weigh import PAPER, Weighed, weights

_LEAST_BITS = 0.01


@dataclass(frozen=True, slots=True)
class Test:
    """One test of the book of tests; fields as in tests.toml."""

    __test__ = False  # the name is the trade's; pytest shall not collect it

    name: str
    do: str
    good: str
    minutes: float
    signs: tuple[str, ...]
    shows: tuple[str, ...]
    rig: bool
    unplugs: bool
    kinds: tuple[str, ...]
    safety: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """A test in a plan. bits: what it would tell on average. decides: causes between which it decides, in words."""

    test: Test
    bits: float
    decides: tuple[str, ...]

    @property
    def bits_a_minute(self) -> float:
        return self.bits / self.test.minutes


@cache
def book_of_tests() -> tuple[tuple[Test, ...], dict[str, str]]:
    """All tests, and what settles each cause for good."""
    data = tomllib.loads(files(__package__).joinpath("tests.toml").read_text(encoding="utf-8"))
    tests = tuple(
        Test(
            name,
            entry["do"],
            entry["good"].format_map(LIMITS),
            float(entry["minutes"]),
            tuple(entry["signs"]),
            tuple(entry.get("shows", entry["signs"])),
            bool(entry.get("rig", False)),
            bool(entry.get("unplugs", False)),
            tuple(entry.get("kinds", ())),
            tuple(data["safety"][key] for key in entry.get("safety", ())),
        )
        for name, entry in data["test"].items()
    )
    return tests, data["confirm"]


def plan(findings: Findings) -> list[Step]:
    """The tests that are still worth their minutes, best first.

    Codes are read first, for they are lost when somebody clears them; what unplugs comes after the recording
    with everything plugged in, for reconnecting can hide the fault [C].
    """
    sightings = look(findings)
    likelihood = table()
    shares = weights(sightings, likelihood)
    known = {s.sign for s in sightings}
    steps = [_step(test, known, shares, likelihood) for test in _open_tests(findings, known)]
    recorded = "dropouts" in known

    def rank(step: Step) -> tuple[bool, bool, float]:
        return step.test.name != "codes", step.test.unplugs and not recorded, -step.bits_a_minute

    return sorted((s for s in steps if s.bits >= _LEAST_BITS or s.test.name == "codes"), key=rank)


def next_words(weighed: Weighed, all_: Sequence[Weighed], sightings: Sequence[Sighting], findings: Findings) -> str:
    """What would decide about one cause next, in one sentence; empty for one that is ruled out."""
    _, confirm = book_of_tests()
    if weighed.stands == "contradicted":
        return ""
    if weighed.stands == "supported":
        return _sentence(confirm[weighed.cause])
    known = {s.sign for s in sightings}
    shares = {w.cause: w.weight for w in all_}
    likelihood = table()
    best: tuple[float, Test] | None = None
    for test in _open_tests(findings, known):
        bits = sum(_bits_about(weighed.cause, sign, shares, likelihood) for sign in _open_signs(test, known))
        worth = bits / test.minutes
        if worth > 0 and (best is None or worth > best[0]):
            best = worth, test
    return best[1].do if best else _sentence(confirm[weighed.cause])


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _open_tests(findings: Findings, known: set[str]) -> list[Test]:
    """Tests that fit the vehicle and are not done."""
    kind = findings.job.sensor.kind
    return [
        test
        for test in book_of_tests()[0]
        if not all(sign in known for sign in test.shows) and not (kind and test.kinds and kind not in test.kinds)
    ]


def _open_signs(test: Test, known: set[str]) -> list[str]:
    return [sign for sign in test.signs if sign not in known]


def _step(test: Test, known: set[str], shares: dict[str, float], likelihood: Table) -> Step:
    signs = _open_signs(test, known)
    doubt = _entropy(shares.values())
    bits = min(doubt, sum(_bits(sign, shares, likelihood) for sign in signs))
    about = {cause: sum(_bits_about(cause, sign, shares, likelihood) for sign in signs) for cause in CAUSES}
    telling = sorted((c for c in about if about[c] > 0.1 * max(about.values())), key=lambda c: -about[c])
    return Step(test, bits, tuple(CAUSES[c] for c in telling[:4]))


def _bits(sign: str, shares: dict[str, float], likelihood: Table) -> float:
    """Mean loss of entropy over the causes when the sign is answered."""
    row = likelihood.signs[sign]
    left = 0.0
    for outcome in row.outcomes:
        joint = [shares[c] * row.chance[c][outcome] for c in CAUSES]
        whole = sum(joint)
        left += whole * _entropy(j / whole for j in joint)
    return _worth(sign) * max(0.0, _entropy(shares.values()) - left)


def _bits_about(cause: str, sign: str, shares: dict[str, float], likelihood: Table) -> float:
    """The same for one cause against all others together."""
    row = likelihood.signs[sign]
    left = 0.0
    for outcome in row.outcomes:
        mine = shares[cause] * row.chance[cause][outcome]
        whole = sum(shares[c] * row.chance[c][outcome] for c in CAUSES)
        left += whole * _entropy((mine / whole, 1 - mine / whole))
    share = shares[cause]
    return _worth(sign) * max(0.0, _entropy((share, 1 - share)) - left)


def _worth(sign: str) -> float:
    """Paper only points: it counts for half."""
    return 0.5 if sign in PAPER else 1.0


def _entropy(shares: Iterable[float]) -> float:
    return -sum(p * math.log2(p) for p in shares if p > 0)
