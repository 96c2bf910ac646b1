"""Campaign for the causes: made cases of each cause through the whole pipeline, and who is named.

    python -m tests.campaign.causes [--cases 60] [--seed 1] [--only CAUSE …] [--healthy 1000] [--write FILE]

Prints the confusion matrix (true cause down, what came first across), how often the true cause was among the
supported or possible, and every wrong cause that was called supported. What a case is made of stands in
tests/campaign/ailments. Rounds of one case a cause and a share of the healthy ones go on by themselves; the
file is written after each, so that a long run can be read before it is over.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass, field
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from toothwise.causes.likelihood import CAUSES, NOTHING
from toothwise.causes.weigh import Weighed, weigh

from tests.campaign.ailments import AILMENTS
from tests.campaign.ailments.setup import healthy_case
from tests.campaign.pipeline import examined


@dataclass(slots=True)
class Score:
    """What came of the cases of one true cause."""

    cases: int = 0
    first: Counter[str] = field(default_factory=Counter)
    open_: int = 0
    wrong: list[tuple[int, str]] = field(default_factory=list)
    misses: list[tuple[int, str, str]] = field(default_factory=list)


def rng_of(seed: int, cause: str, number: int) -> np.random.Generator:
    return np.random.default_rng([seed, number, *cause.encode()])


def enter(score: Score, cause: str, number: int, found: list[Weighed], note: str) -> None:
    score.cases += 1
    leader = found[0]
    score.first[leader.cause] += 1
    mine = next(w for w in found if w.cause == cause)
    score.open_ += mine.stands in ("supported", "possible")
    score.wrong += [
        (number, w.cause) for w in found if w.stands == "supported" and w.cause != cause and w.cause not in NOTHING
    ]
    if leader.cause != cause:
        score.misses.append((number, leader.cause, f"{note}; itself {mine.stands} {mine.weight:.3f}"))


def judged(task: tuple[int, str, int]) -> tuple[str, int, list[Weighed], str]:
    """One case of (seed, cause or "healthy", number), weighed, with its note."""
    seed, cause, number = task
    case = AILMENTS.get(cause, healthy_case)(rng_of(seed, cause, number))
    return cause, number, weigh(examined(case)), case.note


def rounds(seed: int, causes: list[str], cases: int, healthy: int) -> list[list[tuple[int, str, int]]]:
    """Tasks by round: case n of every cause, and so many healthy ones that all are through at the end."""
    count = max(cases, -(-healthy // 20))
    found = []
    for n in range(count):
        well = range(n * healthy // count, (n + 1) * healthy // count)
        found.append(
            [(seed, cause, n) for cause in causes if n < cases] + [(seed, "healthy", number) for number in well]
        )
    return found


@dataclass(slots=True)
class Outcome:
    """The campaign's results as they come in.

    false: healthy recordings in which a fault was called supported; calm: how many have been looked at.
    """

    scores: dict[str, Score]
    calm: int = 0
    false: list[tuple[int, str, str]] = field(default_factory=list)

    def enter(self, cause: str, number: int, found: list[Weighed], note: str) -> None:
        if cause in self.scores:
            enter(self.scores[cause], cause, number, found, note)
            return
        self.calm += 1
        self.false += [(number, w.cause, note) for w in found if w.stands == "supported" and w.cause not in NOTHING]

    def text(self, head: str, *, misses: bool) -> str:
        lines = [head, "", table(self.scores)] if self.scores else [head]
        if self.calm:
            lines += ["", f"healthy: {self.calm} recordings, a fault supported in {len({n for n, _, _ in self.false})}"]
            lines += [f"  {number}: {cause} ({note})" for number, cause, note in self.false]
        details = []
        for cause, score in self.scores.items():
            details += [f"- wrong supported: {cause} {number}: {other}" for number, other in score.wrong]
            if misses:
                details += [
                    f"- missed: {cause} {number}: {leader} first ({note})" for number, leader, note in score.misses
                ]
        return "\n".join([*lines, *(["", *details] if details else [])]) + "\n"


def table(scores: dict[str, Score]) -> str:
    """The confusion matrix and its sums, as Markdown."""
    columns = [c for c in CAUSES if any(score.first[c] for score in scores.values())]
    short = {c: "".join(word[:4] for word in c.split("_")) for c in CAUSES}
    lines = [
        "| true cause | cases | first | open | wrong supported | " + " | ".join(short[c] for c in columns) + " |",
        "| --- | --: | --: | --: | --: |" + " --: |" * len(columns),
    ]
    total: dict[str, int] = defaultdict(int)
    for cause, score in scores.items():
        total["cases"] += score.cases
        total["first"] += score.first[cause]
        total["open"] += score.open_
        total["wrong"] += len({number for number, _ in score.wrong})
        lines.append(
            f"| {cause} | {score.cases} | {score.first[cause]} | {score.open_} | {len(score.wrong)} | "
            + " | ".join(str(score.first[c] or "·") for c in columns)
            + " |"
        )
    n = max(1, total["cases"])
    lines += [
        "",
        f"first: {total['first']} of {n} ({100 * total['first'] / n:.1f} %); "
        f"supported or possible: {total['open']} ({100 * total['open'] / n:.1f} %); "
        f"cases with a wrong cause supported: {total['wrong']} ({100 * total['wrong'] / n:.2f} %)",
    ]
    return "\n".join(lines)


def campaign(seed: int, causes: list[str], cases: int, healthy: int, jobs: int = 1) -> Iterator[tuple[Outcome, str]]:
    """The outcome after each round, and which round of how many that was; "" after the last."""
    outcome = Outcome({cause: Score() for cause in causes})
    every = rounds(seed, causes, cases, healthy)
    with Pool(jobs) if jobs > 1 else nullcontext() as pool:
        for number, tasks in enumerate(every, 1):
            for one in pool.imap(judged, tasks) if pool is not None else map(judged, tasks):
                outcome.enter(*one)
            yield outcome, "" if number == len(every) else f", round {number} of {len(every)}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=60, help="cases a cause")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], choices=sorted(AILMENTS))
    parser.add_argument("--healthy", type=int, default=0, help="healthy recordings besides")
    parser.add_argument("--jobs", type=int, default=1, help="processes at once")
    parser.add_argument("--write", type=Path, help="also write the result to this file, after every round")
    parser.add_argument("--misses", action="store_true", help="list what was missed")
    args = parser.parse_args()
    began = time.monotonic()
    causes = [cause for cause in AILMENTS if args.cases and (not args.only or cause in args.only)]
    text = ""
    for outcome, part in campaign(args.seed, causes, args.cases, args.healthy, args.jobs):
        text = outcome.text(f"seed {args.seed}{part}", misses=args.misses)
        if args.write:
            args.write.write_text(text, encoding="utf-8")
    print(text, end="")
    print(f"{time.monotonic() - began:.0f} s", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
