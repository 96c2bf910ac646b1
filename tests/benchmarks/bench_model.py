"""How fast made signals are made. Prints a table of medians and spreads; asserts nothing.

python -m tests.benchmarks.bench_model [--runs 5]
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import numpy as np
from toothwise.model import drive
from toothwise.model.engine import healthy
from toothwise.model.faults import Chatter
from toothwise.model.made import Cam, Made, Scenario, make
from toothwise.model.profiles import steady
from toothwise.model.sensor import Coil, Hall
from toothwise.model.wheel import MadeWheel, machined
from toothwise.wheel import catalogue

RNG = np.random.default_rng(1)
WHEEL = machined(catalogue.wheel("60-2"), RNG)
CAM = Cam(MadeWheel(catalogue.wheel("4+1")))


def idle(sensor: Hall | Coil) -> Made:
    return make(Scenario(WHEEL, drive.run(healthy(4), drive.idle(60.0), RNG), sensor), RNG)


def thousand() -> Made:
    return make(Scenario(WHEEL, steady(3000, 1000)), RNG)


def start_and_stop() -> Made:
    run = drive.run(healthy(4), drive.start() + drive.stop(), RNG)
    return make(Scenario(WHEEL, run, Hall(), (Chatter(((2.0, 4.0),)),), cam=CAM), RNG)


WORK: dict[str, Callable[[], Made]] = {
    "60 s of idle, 60-2, Hall": lambda: idle(Hall()),
    "60 s of idle, 60-2, coil": lambda: idle(Coil()),
    "1000 steady revolutions, 60-2, Hall": thousand,
    "start to stop with chatter and cam": start_and_stop,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5)
    runs = parser.parse_args().runs
    print(f"{'what':38}{'edges':>9}{'median s':>11}{'least s':>10}{'most s':>10}")
    for name, work in WORK.items():
        spans = []
        for _ in range(runs + 1):
            began = time.perf_counter()
            made = work()
            spans.append(time.perf_counter() - began)
        edges = sum(len(e) for e in made.recording.edges.values())
        spans = spans[1:]
        print(f"{name:38}{edges:9}{statistics.median(spans):11.4f}{min(spans):10.4f}{max(spans):10.4f}")


if __name__ == "__main__":
    main()
