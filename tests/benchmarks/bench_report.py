"""What a report costs: of recordings of ten minutes, from the book, with the time its parts take and the page's size.

    python -m tests.benchmarks.bench_report [MINUTES] [ROUNDS]

A row a recording. `stored`: it was examined when it was recorded, as every live
recording is. `anew`: examined for the report, as a file is.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from toothwise.book import Book
from toothwise.causes.job import Job, Vehicle
from toothwise.edges.signal import Edges, Held
from toothwise.examine import examine
from toothwise.examine.explain import explain, measures_for
from toothwise.wheel import catalogue

from tests.examine.signals import CLOCK

WHEEL = catalogue.wheel("60-2")


def signal(minutes: float, rpm: float, faults: int, seed: int = 1) -> Held:
    """A 60-2 wheel whose speed wanders a little; `faults` teeth of it never came."""
    rng = np.random.default_rng(seed)
    turns = round(minutes * rpm)
    drift = rpm * (1 + 0.02 * np.sin(np.arange(turns) / 40.0)) * (1 + 0.001 * rng.standard_normal(turns))
    begin = np.concatenate([[0.0], np.cumsum(60.0 / drift)])
    share = np.array(WHEEL.angles_deg) / 360.0
    at = (begin[:-1, None] + share * np.diff(begin)[:, None]).ravel()
    pitch = np.repeat(np.diff(begin) / WHEEL.slots, WHEEL.teeth)
    keep = np.ones(len(at), bool)
    keep[rng.choice(np.arange(200, len(at) - 200), faults, replace=False)] = False
    seconds = np.stack([at[keep], at[keep] + 0.45 * pitch[keep]], axis=1).ravel() + 0.01
    ticks = np.rint(seconds / (CLOCK.tick_ns * 1e-9)).astype(np.int64)
    edges = Edges(ticks, (np.arange(len(ticks)) % 2 == 0).astype(np.uint8))
    return Held(CLOCK, {"crank": edges}, int(ticks[-1]) + 1, (), {"kind": "made"})


def one(folder: Path, number: str, more: list[str]) -> tuple[float, int]:
    """Seconds and bytes of one report: the command as its user starts it, imports and all."""
    target = folder / "report.html"
    began = time.perf_counter()
    command = [sys.executable, "-m", "toothwise", "report", number, "-o", str(target), "--replace"]
    ran = subprocess.run([*command, "--book", str(folder / "book.sqlite"), *more], capture_output=True, text=True)
    assert ran.returncode in (0, 1), ran.stderr
    return time.perf_counter() - began, target.stat().st_size


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("minutes", nargs="?", type=float, default=10.0)
    parser.add_argument("rounds", nargs="?", type=int, default=3)
    args = parser.parse_args()
    print(f"{args.minutes:g} minutes, {args.rounds} rounds; seconds: median (least to most)")
    print(f"{'rpm':>6} {'faults':>7} {'edges':>10} {'how':>7} {'s':>22} {'MB':>6}")
    card = Job(vehicle=Vehicle(cylinders=4))
    for rpm, faults in ((850.0, 0), (850.0, 400), (3000.0, 0), (3000.0, 400)):
        recording = signal(args.minutes, rpm, faults)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            result = examine(recording, WHEEL, checks=measures_for(card))
            explain(result, card)
            with Book.open(folder / "book.sqlite") as book:
                number = book.keep_recording(recording, result=result.as_json())
            for how, more in (("stored", []), ("anew", ["--wheel", "60-2"])):
                rounds = [one(folder, str(number), more) for _ in range(args.rounds)]
                times = [seconds for seconds, _ in rounds]
                spread = f"{statistics.median(times):.2f} ({min(times):.2f} to {max(times):.2f})"
                edges = len(recording.edges["crank"])
                print(f"{rpm:6.0f} {faults:7} {edges:10,} {how:>7} {spread:>22} {rounds[0][1] / 1e6:6.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
