"""How fast the measures go, each by itself. Prints a table; asserts nothing.

python -m tests.benchmarks.bench_checks [seconds of idle, default 300] [runs, default 5]
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
from toothwise.checks.cam_edges import CamEdges
from toothwise.checks.duty import Duty
from toothwise.checks.full_count import FullCount
from toothwise.checks.jitter import Jitter
from toothwise.checks.measures import Measures
from toothwise.checks.opposite import OppositeEdges
from toothwise.checks.polarity import Polarity
from toothwise.checks.startup import Startup
from toothwise.checks.wheel_error import WheelError
from toothwise.edges.signal import Edges

from tests.checks.spinning import MICRO, cut, idle, n_minus


def timed(runs: int, work: Callable[[], object]) -> tuple[float, float]:
    found = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return statistics.median(found), max(found) - min(found)


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 300.0
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    wheel = n_minus(60, 2)
    teeth = idle(4, seconds).teeth(wheel, jitter_deg=0.02)
    parts = cut(teeth, max(1, len(teeth) // 20_000))
    ticks = np.stack([teeth.ticks, teeth.back_ticks], axis=1).ravel()
    levels = np.tile(np.array([1, 0], np.uint8), len(teeth))
    edges = [Edges(t, v) for t, v in zip(np.array_split(ticks, 20), np.array_split(levels, 20), strict=True)]
    print(f"{seconds:g} s of idle, {len(teeth)} teeth, {len(ticks)} edges")
    print(f"{'check':16s} {'median s':>9s} {'spread s':>9s} {'million edges/s':>16s}")

    def of_teeth(make: Callable[[], object]) -> Callable[[], object]:
        def work() -> None:
            check = make()
            for part in parts:
                check.add(part)  # type: ignore[attr-defined]
            if isinstance(check, WheelError):
                check.result()

        return work

    def of_edges(make: Callable[[], object]) -> Callable[[], object]:
        def work() -> None:
            check = make()
            for part in edges:
                check.add(part)  # type: ignore[attr-defined]

        return work

    def everything() -> None:
        check = Measures(wheel, MICRO, cam=False)
        for part in edges:
            check.feed_edges("crank", part)
        for part in parts:
            check.feed("crank", part)
        check.finish()

    rows = {
        "wheel error": of_teeth(lambda: WheelError(wheel, MICRO)),
        "jitter": of_teeth(lambda: Jitter(wheel, MICRO)),
        "full count": of_teeth(lambda: FullCount(wheel, MICRO)),
        "start-up": of_teeth(lambda: Startup(wheel, MICRO)),
        "cam edges": of_teeth(lambda: CamEdges(wheel, MICRO)),
        "moved edges": of_teeth(lambda: OppositeEdges(wheel, MICRO)),
        "duty": of_edges(Duty),
        "polarity": of_edges(lambda: Polarity(wheel)),
        "all measures": everything,
    }
    for name, work in rows.items():
        median, spread = timed(runs, work)
        print(f"{name:16s} {median:9.3f} {spread:9.3f} {len(ticks) / median / 1e6:16.1f}")


if __name__ == "__main__":
    main()
