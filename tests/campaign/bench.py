"""Thousands of made sensors through the bench's judgement: what it lets pass, fails, and wants to see again.

    python -m tests.campaign.bench --sensors 5000
    python -m tests.campaign.bench --positions 400     edge position: repeatability and coverage alone

Good ones, six ways of being bad, and borderline ones whose true value lies within 1.5 standard uncertainties of a
limit; then the operating curve: how often a sensor passes by where its edges truly stand. Every sensor has a wheel, a
spindle and a master of its own, and the master's zero is wrong by as much as its stated uncertainty says.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from toothwise.bench import reference
from toothwise.bench.figures import Master
from toothwise.bench.of_file import judge_recording
from toothwise.bench.result import FAIL, PASS, RETEST
from toothwise.bench.sampling import clopper_pearson
from toothwise.bench.stage import Watch
from toothwise.model import profiles

from tests.bench import made_sensors as made

FAULT_RATE = 0.03
ZERO_DOUBT_DEG = 0.02
HIGH = {"edge_position": 0.5, "jitter": 0.05}
NOMINAL_DOUBT = {"edge_position": ZERO_DOUBT_DEG, "jitter": 0.0011}
BORDER = 1.5
CURVE = 5.0


def one(kind: str, seed: int) -> tuple[str, float]:
    """(verdict, how far the true value is beyond its limit in standard uncertainties; 0 where that is not asked)."""
    rng = np.random.default_rng(seed)
    beyond, asked = 0.0, ""
    sensor = made.good(rng)
    if kind in made.WAYS:
        sensor = made.bad(kind, rng, FAULT_RATE)
    elif kind != "good":
        asked = "edge_position" if kind == "curve" or seed % 2 else "jitter"
        width = CURVE if kind == "curve" else BORDER
        beyond = float(rng.uniform(-width, width))
        true = HIGH[asked] + beyond * NOMINAL_DOUBT[asked]
        sensor = replace(sensor, **{"offset_deg" if asked == "edge_position" else "jitter_deg": true})
    held = made.record(sensor, rng)
    zero = made.MOUNT_DEG + float(rng.normal(0.0, ZERO_DOUBT_DEG))
    result = judge_recording(lambda: held, made.made_limits(), master=Master(zero, ZERO_DOUBT_DEG))
    return result.verdict, beyond


def positions(seed: int, rpm: float = 3000.0, turns: int = 60) -> tuple[float, float, float, bool]:
    """A perfect sensor and a perfect master on an imperfect wheel: (repeatability, share of teeth covered, mean's
    error, mean covered)."""
    rng = np.random.default_rng(seed)
    motion = profiles.steady(rpm, turns, walk=0.002, rng=rng, step_deg=6.0)
    held = made.record(made.MadeSensor(jitter_deg=0.0), rng, motion, master_jitter_deg=0.0)
    watch = Watch(made.made_limits(), held.clock, held.channels)
    parts = [watch.feed(batch) for batch in held.batches()] + [watch.finish()[:2]]
    sensor, aux = (reference.joined([t for part in parts for t in part[side]]) for side in (0, 1))
    found = reference.against_master(made.WHEEL, sensor, aux, held.clock)
    assert found is not None and found.mean_deg is not None
    covered = float(np.mean(np.abs(found.tooth_deg) <= 2 * found.tooth_uncertainty_deg))
    off = found.mean_deg - made.MOUNT_DEG
    return found.repeatability_deg, covered, off, abs(off) <= 2 * found.mean_uncertainty_deg


def kinds(sensors: int) -> list[str]:
    share = {"good": 0.4, **dict.fromkeys(made.WAYS, 0.07), "borderline": 0.1, "curve": 0.08}
    return [kind for kind, part in share.items() for _ in range(round(part * sensors))]


def tell_sensors(rows: list[tuple[str, str, float]]) -> None:
    print(f"\n{'made':12} {'sensors':>8} {'pass':>8} {'retest':>8} {'fail':>8}")
    for kind in ("good", *made.WAYS, "borderline"):
        found = Counter(verdict for k, verdict, _ in rows if k == kind)
        n = sum(found.values())
        print(f"{kind:12} {n:8,}" + "".join(f" {found[v] / n:8.2%}" for v in (PASS, RETEST, FAIL)))
    bad = [verdict for kind, verdict, _ in rows if kind in made.WAYS]
    good = [verdict for kind, verdict, _ in rows if kind == "good"]
    for words, count, n, most in (
        ("bad ones passed", bad.count(PASS), len(bad), 0.001),
        ("good ones failed", good.count(FAIL), len(good), 0.01),
    ):
        low, high = clopper_pearson(count, n)
        print(f"{words}: {count} of {n:,}, {count / n:.3%} (95 %: {low:.3%} to {high:.3%}), wanted at most {most:.1%}")
    print("\noperating curve: edge position, beyond its limit in standard uncertainties")
    print(f"{'beyond':>14} {'sensors':>8} {'pass':>8} {'retest':>8} {'fail':>8}")
    curve = [(verdict, x) for kind, verdict, x in rows if kind == "curve"]
    for low in np.arange(-CURVE, CURVE).tolist():
        found = Counter(v for v, x in curve if low <= x < low + 1)
        n = max(sum(found.values()), 1)
        row = "".join(f" {found[v] / n:8.1%}" for v in (PASS, RETEST, FAIL))
        print(f"{low:+6.0f} to {low + 1:+3.0f} {sum(found.values()):9,}{row}")


def tell_positions(rows: list[tuple[float, float, float, bool]]) -> None:
    spread = [row[0] for row in rows]
    print(f"\nedge position of perfect sensors, 3000 rpm, {made.TICK_NS:g} ns, {len(rows)} runs")
    print(f"repeatability: median {np.median(spread):.5f}°, worst {max(spread):.5f}° (wanted at most 0.002°)")
    print(f"teeth within their stated uncertainty (2u): {np.mean([row[1] for row in rows]):.2%} (wanted 95 ± 2 %)")
    print(f"mean: error {np.std([row[2] for row in rows]):.2e}° rms, within 2u {np.mean([row[3] for row in rows]):.1%}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sensors", type=int, default=0)
    parser.add_argument("--positions", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    if not args.sensors and not args.positions:
        args.sensors, args.positions = 500, 100
    began = time.monotonic()
    with ProcessPoolExecutor(args.jobs) as pool:
        wanted = kinds(args.sensors)
        seeds = range(args.seed * 1_000_000, args.seed * 1_000_000 + len(wanted))
        verdicts = []
        for verdict in pool.map(one, wanted, seeds, chunksize=8):
            verdicts.append(verdict)
            if len(verdicts) % 500 == 0:
                print(f"{len(verdicts):,} sensors, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
        found = list(pool.map(positions, range(args.positions), chunksize=4))
    print(f"seed {args.seed}, {time.monotonic() - began:.0f} s")
    if verdicts:
        tell_sensors([(kind, *row) for kind, row in zip(wanted, verdicts, strict=True)])
    if found:
        tell_positions(found)
    return 0


if __name__ == "__main__":
    sys.exit(main())
