"""The campaign behind the tracker's figures.

    python tests/campaign/track.py [--short] [--seed N] [--jobs 2] [--only PART/WHEEL/KIND/NUMBER]

Prints its seed, three tables and the first cases that went wrong, each with the words that repeat it alone.
Ends with 0 if every figure is met, else 1. The matching rule stands at the top of score.py.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    ROOT = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from toothwise.edges.signal import Edges
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker
from toothwise.wheel import catalogue
from toothwise.wheel.explain import is_even

from tests.campaign.cases import BANDS, HEALTHY, STRESS, Case, Spec, build, family
from tests.campaign.guess import guess
from tests.campaign.score import Score, Tally, score

WANTED = 0.995
"""Recall, precision, tooth right and count right, on each family and band."""

TURNS_WANTED = 100_000
UNDECIDED_AT_MOST = 0.02


@dataclass(frozen=True, slots=True)
class Size:
    """How many cases of each sort a run has. every: a run smaller than one case of each sort on each wheel takes
    only every so many, another part of them on each wheel."""

    healthy: int
    faults: int
    guesses: int
    every: int = 1


SHORT, LONG = Size(healthy=1, faults=1, guesses=2, every=4), Size(healthy=8, faults=25, guesses=100)


def track(case: Case) -> Teeth:
    """All the tracker says of a case, its edges fed in pieces of random length."""
    recording = case.made.recording
    tracker = Tracker(case.wheel, recording.clock, channel="crank")
    edges = recording.edges["crank"]
    rng = case.spec.rng()
    parts, at = [], 0
    while at < len(edges):
        end = at + int(np.exp(rng.uniform(0, np.log(2 + len(edges)))))
        piece = Edges(edges.ticks[at:end], edges.levels[at:end])
        until = int(edges.ticks[end]) if end < len(edges) else recording.until_tick
        parts.append(tracker.feed(piece, until))
        at = end
    parts.append(tracker.finish(recording.until_tick))
    return joined(parts)


def joined(parts: list[Teeth]) -> Teeth:
    """Pieces of a tracker's answer as one."""
    arrays = (np.concatenate([getattr(p, name) for p in parts])
              for name in ("ticks", "back_ticks", "tooth", "revolution", "turning"))  # fmt: skip
    return Teeth(*arrays, events=tuple(e for p in parts for e in p.events))


def run(spec: Spec) -> tuple[Spec, Score, float]:
    """Build, track and score one case; also the seconds that building took. A crash is a complaint."""
    began = time.perf_counter()
    case = build(spec)
    built = time.perf_counter() - began
    try:
        result = score(case, track(case))
    except Exception as problem:  # the run must go on and tell of it
        result = Score(false_events=1, complaints=[f"crashed: {type(problem).__name__}: {problem}"])
    return spec, result, built


@dataclass
class Row:
    """One line of a table."""

    cases: int = 0
    revolutions: float = 0.0
    false_events: int = 0
    misnumbered: int = 0
    lost: int = 0
    within: Tally = field(default_factory=Tally)
    beyond: Tally = field(default_factory=Tally)

    def add(self, result: Score) -> None:
        self.cases += 1
        self.revolutions += result.revolutions
        self.false_events += result.false_events
        self.misnumbered += result.misnumbered
        self.lost += result.lost_teeth
        self.within += result.within
        self.beyond += result.beyond


def specs(size: Size, seed: int, wheels: Iterable[str]) -> Iterator[Spec]:
    sorts = [("healthy", kind, size.healthy) for kind in (*HEALTHY, *STRESS)]
    sorts += [("faults", band, size.faults) for band in BANDS]
    for number, wheel in enumerate(wheels):
        for part, kind, many in sorts[number % size.every :: size.every]:
            yield from (Spec(part, wheel, kind, seed, i) for i in range(many))


@dataclass
class Outcome:
    """A whole campaign."""

    healthy: dict[str, Row] = field(default_factory=lambda: defaultdict(Row))
    stress: dict[str, Row] = field(default_factory=lambda: defaultdict(Row))
    faults: dict[tuple[str, str], Row] = field(default_factory=lambda: defaultdict(Row))
    guesses: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    complaints: list[tuple[Spec, str]] = field(default_factory=list)
    build_s: float = 0.0

    def add(self, spec: Spec, result: Score, built: float) -> None:
        self.build_s += built
        if spec.kind in STRESS:
            self.stress[spec.kind].add(result)
            return
        if spec.part == "healthy":
            self.healthy[family(spec.wheel)].add(result)
        else:
            self.faults[family(spec.wheel), spec.kind].add(result)
        if result.complaints:
            self.complaints.append((spec, result.complaints[0]))

    @property
    def revolutions(self) -> float:
        return sum(row.revolutions for row in self.healthy.values())

    def failures(self, size: Size) -> list[str]:
        """Which figures were not met, in words."""
        said = []
        false = sum(row.false_events for row in self.healthy.values())
        if false:
            said.append(f"{false} events on healthy signals")
        wrong = sum(row.misnumbered + row.lost for row in self.healthy.values())
        if wrong:
            said.append(f"{wrong} teeth misnumbered or left out on healthy signals")
        if size is LONG and self.revolutions < TURNS_WANTED:
            said.append(f"only {self.revolutions:.0f} healthy revolutions")
        for (name, band), row in self.faults.items():
            tally = row.within
            for what, value in (("recall", tally.recall), ("precision", tally.precision),
                                ("tooth right", tally.share(tally.tooth_right)),
                                ("count right", tally.share(tally.count_right))):  # fmt: skip
                if value < WANTED:
                    said.append(f"{what} {value:.4f} on {name}, {band}")
        wrong = sum(words["wrong"] for words in self.guesses.values())
        if wrong:
            said.append(f"{wrong} wheels identified wrongly")
        # Three turns of equal teeth hold nothing that says how many there are: undecided is the answer there.
        told = (words for name, words in self.guesses.items() if not is_even(catalogue.wheel(name)))
        total = sum(told, Counter())
        if total and total["undecided"] > UNDECIDED_AT_MOST * total.total():
            said.append(f"{total['undecided']} of {total.total()} wheels undecided that can be told")
        return said


def campaign(size: Size, seed: int, jobs: int, wheels: Iterable[str] = catalogue.NAMES) -> Outcome:
    """All cases of a size; `jobs` processes."""
    outcome = Outcome()
    wheels = tuple(wheels)
    tasks = list(specs(size, seed, wheels))
    trials = [(wheel, seed, i) for wheel in wheels for i in range(size.guesses)]
    if jobs == 1:
        for task in tasks:
            outcome.add(*run(task))
        for trial in trials:
            outcome.guesses[trial[0]][guess(*trial)] += 1
        return outcome
    with ProcessPoolExecutor(jobs) as pool:
        for answer in pool.map(run, tasks, chunksize=8):
            outcome.add(*answer)
        for trial, word in zip(trials, pool.map(guess, *zip(*trials, strict=True), chunksize=8), strict=True):
            outcome.guesses[trial[0]][word] += 1
    return outcome


def table(outcome: Outcome) -> str:
    """The tables as text."""
    lines = [
        "",
        "Healthy signals",
        f"{'wheels':18}{'cases':>7}{'revolutions':>13}{'events':>8}{'misnumbered':>13}{'lost':>6}",
    ]
    for name, row in [*sorted(outcome.healthy.items()), *((f"({k})", r) for k, r in outcome.stress.items())]:
        lines.append(
            f"{name:18}{row.cases:7}{row.revolutions:13.0f}{row.false_events:8}{row.misnumbered:13}{row.lost:6}"
        )
    lines += [f"{'promised, in all':18}{'':7}{outcome.revolutions:13.0f}"]
    lines += [
        "",
        "Made faults that can be counted",
        f"{'wheels':18}{'speed':>10}{'faults':>8}{'recall':>9}{'precision':>11}{'tooth':>9}{'count':>9}{'misnumbered':>13}",
    ]
    order = list(BANDS)
    for (name, band), row in sorted(outcome.faults.items(), key=lambda kv: (kv[0][0], order.index(kv[0][1]))):
        t = row.within
        lines.append(
            f"{name:18}{band:>10}{t.faults:8}{t.recall:9.4f}{t.precision:11.4f}"
            f"{t.share(t.tooth_right):9.4f}{t.share(t.count_right):9.4f}{row.misnumbered:13}"
        )
    lines += [
        "",
        "Long dropouts: a turn or more, or a quarter on a wheel of equal teeth (missing and silent each count)",
        f"{'wheels':18}{'speed':>10}{'faults':>8}{'matched':>9}{'stopped':>9}{'events':>9}{'tooth':>9}{'count':>9}",
    ]
    for (name, band), row in sorted(outcome.faults.items(), key=lambda kv: (kv[0][0], order.index(kv[0][1]))):
        t = row.beyond
        lines.append(
            f"{name:18}{band:>10}{t.faults:8}{t.matched:9}{t.called_stopped:9}{t.events:9}"
            f"{t.share(t.tooth_right):9.4f}{t.share(t.count_right):9.4f}"
        )
    lines += [
        "",
        "Wheels identified from three turns of cranking",
        f"{'wheel':18}{'right':>7}{'undecided':>11}{'wrong':>7}",
    ]
    for name, words in outcome.guesses.items():
        lines.append(f"{name:18}{words['right']:7}{words['undecided']:11}{words['wrong']:7}")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="a small run, under a minute")
    parser.add_argument("--seed", type=int, default=20_000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--show", type=int, default=20, help="how many wrong cases to print")
    parser.add_argument("--wheels", nargs="*", default=list(catalogue.NAMES))
    parser.add_argument("--only", help="PART/WHEEL/KIND/NUMBER of one case, with all its complaints")
    given = parser.parse_args()
    if given.only:
        part, wheel, kind, number = given.only.split("/")
        _, result, _ = run(Spec(part, wheel, kind, given.seed, int(number)))
        print("\n".join(result.complaints + result.notes) or "nothing wrong")
        return 0
    size = SHORT if given.short else LONG
    began = time.perf_counter()
    outcome = campaign(size, given.seed, given.jobs, given.wheels)
    took = time.perf_counter() - began
    print(f"seed {given.seed}, {given.jobs} processes, {took:.0f} s, of it {outcome.build_s:.0f} s making signals")
    print(table(outcome))
    failures = outcome.failures(size)
    print("\n" + ("\n".join(f"NOT MET: {f}" for f in failures) or "All figures met."))
    for spec, words in outcome.complaints[: given.show]:
        print(f"  --seed {spec.seed} --only {spec.part}/{spec.wheel}/{spec.kind}/{spec.number}: {words}")
    print(f"  {len(outcome.complaints)} cases with a complaint")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
