"""Campaign for the causes: made cases of each cause through the whole pipeline, and who is named.

    python -m tests.campaign.causes [--cases 60] [--seed 1] [--only CAUSE …] [--healthy 1000] [--write FILE]

Prints the confusion matrix (true cause down, what came first across), how often the true cause was among the
supported or possible, and every wrong cause that was called supported. What a case is made of stands in
tests/campaign/ailments.py.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from toothwise.causes.likelihood import CAUSES, NOTHING
from toothwise.causes.weigh import Weighed, weigh

from tests.campaign.ailments import AILMENTS, Case, healthy_case
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


def judge(case: Case) -> list[Weighed]:
    return weigh(examined(case))


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


def campaign(seed: int, cases: int, only: list[str]) -> dict[str, Score]:
    scores = {cause: Score() for cause in AILMENTS if not only or cause in only}
    for cause, score in scores.items():
        for number in range(cases):
            case = AILMENTS[cause](rng_of(seed, cause, number))
            enter(score, cause, number, judge(case), case.note)
        print(f"{cause}: first {score.first[cause]} of {score.cases}", file=sys.stderr, flush=True)
    return scores


def healthy_campaign(seed: int, cases: int) -> list[tuple[int, str, str]]:
    """Healthy recordings in which a fault was called supported."""
    found = []
    for number in range(cases):
        case = healthy_case(rng_of(seed, "healthy", number))
        for w in judge(case):
            if w.stands == "supported" and w.cause not in NOTHING:
                found.append((number, w.cause, case.note))
    return found


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


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=60, help="cases a cause")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], choices=sorted(AILMENTS))
    parser.add_argument("--healthy", type=int, default=0, help="healthy recordings besides")
    parser.add_argument("--write", type=Path, help="also write the result to this file")
    parser.add_argument("--misses", action="store_true", help="list what was missed")
    args = parser.parse_args()
    began = time.monotonic()
    scores = campaign(args.seed, args.cases, args.only) if args.cases else {}
    text = [f"seed {args.seed}", "", table(scores)] if scores else [f"seed {args.seed}"]
    if args.healthy:
        named = healthy_campaign(args.seed, args.healthy)
        text += ["", f"healthy: {args.healthy} recordings, a fault supported in {len(named)}"]
        text += [f"  {number}: {cause} ({note})" for number, cause, note in named]
    for cause, score in scores.items():
        text += [f"wrong supported: {cause} {number}: {other}" for number, other in score.wrong]
        if args.misses:
            text += [f"missed: {cause} {number}: {leader} first ({note})" for number, leader, note in score.misses]
    print("\n".join(text))
    print(f"{time.monotonic() - began:.0f} s", file=sys.stderr)
    if args.write:
        args.write.write_text("\n".join(text) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
