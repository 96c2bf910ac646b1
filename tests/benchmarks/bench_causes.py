"""How long the measures and the weighing of a five-minute idle recording take, tracking apart.

python -m tests.benchmarks.bench_causes [--runs 5]
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import numpy as np
from toothwise.causes.findings import Findings
from toothwise.causes.job import Job, Vehicle
from toothwise.causes.weigh import causes
from toothwise.checks.cylinders import CylinderCheck
from toothwise.edges.signal import Clock
from toothwise.model.drive import idle, run
from toothwise.model.engine import healthy
from toothwise.model.made import Scenario, make
from toothwise.model.sensor import Hall
from toothwise.model.wheel import machined
from toothwise.records import Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel.catalogue import wheel

CLOCK = Clock(16.0)


def five_minutes() -> Teeth:
    """The true teeth of five minutes at 800 rpm on a 60-2 wheel."""
    rng = np.random.default_rng(1)
    drive = run(healthy(4), idle(300.0), rng)
    truth = make(Scenario(machined(wheel("60-2"), rng), drive, Hall()), rng).truth.teeth["crank"]
    n = len(truth)
    ticks = np.rint(truth.t_s / 16e-9).astype(np.int64)
    return Teeth(ticks, np.full(n, -1), truth.tooth, truth.revolution, np.zeros(n, np.int32))


def timed(what: Callable[[], object], runs: int) -> str:
    spent = []
    for _ in range(runs):
        began = time.perf_counter()
        what()
        spent.append(1000 * (time.perf_counter() - began))
    return f"{statistics.median(spent):8.1f} ms   {min(spent):.1f} to {max(spent):.1f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    runs = parser.parse_args().runs
    teeth = five_minutes()
    found: list[Measure] = []

    def cylinders() -> None:
        check = CylinderCheck(wheel("60-2"), CLOCK, 4)
        check.feed("crank", teeth)
        found[:] = check.finish()

    def weighing() -> None:
        causes(
            Findings(
                job=Job(vehicle=Vehicle(cylinders=4)), measures=found, channels={"crank": 2 * len(teeth)},
                revolutions=4000, span_s=300.0, wheel="60-2", teeth=58, identified=True,
            )
        )  # fmt: skip

    print(f"five minutes of idle, {len(teeth):,} teeth; median of {runs} and spread")
    print(f"cylinders   {timed(cylinders, runs)}")
    print(f"weighing    {timed(weighing, runs)}")


if __name__ == "__main__":
    main()
