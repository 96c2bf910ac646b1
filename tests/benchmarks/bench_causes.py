"""How long a five-minute idle recording takes: cylinders and weighing apart, and the whole analysis.

Whole: the wheel made out from the signal (or named), crank and cam followed, all measures, causes.

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
from toothwise.examine import examine
from toothwise.examine.explain import by_card, explain
from toothwise.model.drive import idle, run
from toothwise.model.engine import healthy
from toothwise.model.made import Cam, Made, Scenario, make
from toothwise.model.sensor import Hall
from toothwise.model.wheel import machined
from toothwise.records import Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel.catalogue import wheel
from toothwise.wheel.pattern import Wheel

CLOCK = Clock(16.0)
CAM = "4+1"


def five_minutes() -> Made:
    """Five minutes at 800 rpm on a 60-2 wheel with a cam beside it."""
    rng = np.random.default_rng(1)
    drive = run(healthy(4), idle(300.0), rng)
    cam = Cam(machined(wheel(CAM), rng), 120.0)
    return make(Scenario(machined(wheel("60-2"), rng), drive, Hall(), cam=cam), rng)


def teeth_of(made: Made) -> Teeth:
    """The crank's true teeth."""
    truth = made.truth.teeth["crank"]
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
    made = five_minutes()
    teeth = teeth_of(made)
    job = Job(vehicle=Vehicle(cylinders=4))
    found: list[Measure] = []

    def cylinders() -> None:
        check = CylinderCheck(wheel("60-2"), CLOCK, 4)
        check.feed("crank", teeth)
        found[:] = check.finish()

    def weighing() -> None:
        causes(
            Findings(
                job=job, measures=found, channels={"crank": 2 * len(teeth)},
                revolutions=4000, span_s=300.0, wheel="60-2", teeth=58, identified=True,
            )
        )  # fmt: skip

    def whole(named: Wheel | None) -> Callable[[], None]:
        def analysis() -> None:
            explain(examine(made.recording, named, cam_wheel=wheel(CAM), **by_card(job)), job)

        return analysis

    print(f"five minutes of idle, {len(teeth):,} teeth; median of {runs} and spread")
    print(f"cylinders   {timed(cylinders, runs)}")
    print(f"weighing    {timed(weighing, runs)}")
    print(f"whole       {timed(whole(None), runs)}")
    print(f"wheel named {timed(whole(wheel('60-2')), runs)}")


if __name__ == "__main__":
    main()
