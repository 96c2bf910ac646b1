"""The whole chain, pin to finding: firmware, pseudo-terminal, link, examination. What was put in must come out.

    python -m tests.benchmarks.bench_chain [--revolutions 5000] [--drop 200] [--seed 1]

A 60-2 wheel is swept from 150 to 7000 rpm and back, evenly in the logarithm of speed, first healthy, then with
teeth left out at random places (one to three in a row, none next to another). The virtual rig takes the edges as
fast as the host reads them.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from toothwise.edges.signal import Batch, Edges
from toothwise.examine import Examination, Result
from toothwise.link import open_rig
from toothwise.wheel import catalogue

TICK_S = 16e-9
LOW_RPM, HIGH_RPM = 150.0, 7000.0
WHEEL = catalogue.wheel("60-2")


@dataclass(frozen=True)
class Outcome:
    """The result, edges a second through the chain, and edges that arrived of those sent."""

    result: Result
    edges_a_second: float
    arrived: int
    sent: int


def swept(revolutions: int, drop: set[tuple[int, int]]) -> Edges:
    """Both edges of every tooth. `drop` holds (revolution, tooth) of those left out."""
    place = (np.arange(revolutions)[:, None] + np.array(WHEEL.angles_deg) / 360.0).ravel()
    keep = np.ones(len(place), bool)
    for revolution, tooth in drop:
        keep[revolution * WHEEL.teeth + tooth - 1] = False
    turns = np.concatenate([place[keep], place[keep] + 0.45 / WHEEL.slots])
    order = np.argsort(turns, kind="stable")
    level = np.repeat(np.array([1, 0], np.uint8), int(keep.sum()))[order]
    # Time over turns where the logarithm of speed rises and falls evenly: the exponential's own integral.
    half = revolutions / 2.0
    rate = np.log(HIGH_RPM / LOW_RPM) / half
    up = np.minimum(turns[order], half)
    down = np.maximum(turns[order] - half, 0.0)
    seconds = 60.0 / (LOW_RPM * rate) * (1.0 - np.exp(-rate * up))
    seconds += 60.0 / (HIGH_RPM * rate) * (np.exp(rate * down) - 1.0)
    return Edges(np.round((seconds + 0.01) / TICK_S).astype(np.int64), level)


def places(revolutions: int, count: int, seed: int) -> list[tuple[int, int, int]]:
    """(revolution, first tooth, how many) of runs to leave out, at most one in a revolution, none at its ends."""
    rng = np.random.default_rng(seed)
    chosen = np.sort(rng.choice(np.arange(3, revolutions - 3), count, replace=False))
    return [(int(r), int(rng.integers(3, 53)), int(rng.integers(1, 4))) for r in chosen]


def through(edges: Edges) -> Outcome:
    """The edges through rig, line, link and examination."""
    until = int(edges.ticks[-1]) + 1_000_000
    started = time.monotonic()
    with open_rig("virtual", edges=[Batch(until, {"crank": edges})], fast=True) as rig:
        examination = Examination(rig.clock, rig.channels, WHEEL, source=rig.source)
        for batch in rig.batches():
            examination.feed(batch)
        result = examination.finish()
    took = time.monotonic() - started
    return Outcome(result, len(edges) / took, result.edge_counts["crank"], len(edges))


def found(result: Result) -> list[tuple[int | None, int | None, int]]:
    return [(e.revolution, e.tooth, e.count) for e in result.events if e.kind == "missing"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--revolutions", type=int, default=5000)
    parser.add_argument("--drop", type=int, default=200, help="runs of teeth to leave out")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print(f"60-2, {LOW_RPM:g} to {HIGH_RPM:g} rpm and back, {args.revolutions:,} revolutions, seed {args.seed}")
    print(f"{'signal':<10}{'edges sent':>12}{'arrived':>10}{'blind s':>9}{'events':>8}{'right':>7}{'edges/s':>10}")
    put = places(args.revolutions, args.drop, args.seed)
    for name, runs in (("healthy", []), ("faulty", put)):
        outcome = through(swept(args.revolutions, {(r, t + i) for r, t, n in runs for i in range(n)}))
        result = outcome.result
        right = len(set(found(result)) & set(runs))
        print(
            f"{name:<10}{outcome.sent:>12,}{outcome.arrived:>10,}{result.blind_s:>9.3f}{len(result.events):>8}"
            f"{f'{right}/{len(runs)}':>7}{outcome.edges_a_second:>10,.0f}"
        )


if __name__ == "__main__":
    main()
