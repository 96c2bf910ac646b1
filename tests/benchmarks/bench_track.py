"""How fast edges become teeth and events, on one core. Prints tables; asserts nothing.

    python -m tests.benchmarks.bench_track [runs, default 5] [seconds of signal, default 60]

`numpy.diff` over the same ticks stands beside each row: what merely looking at every edge costs. The last table shows
that memory does not grow with the recording: the peak of what Python and numpy hold while recordings of several
lengths stream through in pieces.
"""

from __future__ import annotations

import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator

import numpy as np
from toothwise.edges.signal import Clock, Edges
from toothwise.track.tracker import Tracker
from toothwise.wheel import catalogue

from tests.track.signals import FINE, Shaft, Signal, signal

PIECE = 65_536
"""Level changes a call, about what a file reader hands on."""


def spoilt(made: Signal, kind: str) -> Signal:
    """A fault in every turn, each at another tooth."""
    n = made.wheel.teeth
    for turn in range(1, int(made.place[-1]) // n):
        tooth = turn * 7 % (n - 2) + 2
        made = made.without(turn, tooth) if kind == "missing" else made.with_pulses(turn, tooth, 0.6)
    return made


def stretched(edges: Edges, wheel_turn: int, many: int) -> Edges:
    """The same edges again and again, `wheel_turn` ticks apart: a long recording from whole turns of a short one."""
    shifts = wheel_turn * np.arange(many)
    return Edges((edges.ticks[None, :] + shifts[:, None]).ravel(), np.tile(edges.levels, many))


def whole_turns(name: str, rpm: float, turns: int, kind: str, swing: float = 0.0) -> tuple[Edges, int]:
    """Edges of whole turns, from a tooth 1 to a tooth 1, and how many ticks they take."""
    wheel = catalogue.wheel(name)
    made = signal(wheel, Shaft(-100.0).turn(rpm, turns + 2.5, swing))
    made = made if kind == "clean" else spoilt(made, kind)
    edges = made.edges(FINE)
    ticks = np.rint(made.lead_s / 16e-9).astype(np.int64)
    # Two turns are one engine cycle: a swing of whole order repeats.
    first, last = (int(ticks[made.index(t, 1)]) for t in (0, turns))
    low, high = np.searchsorted(edges.ticks, (first, last))
    return Edges(edges.ticks[low:high], edges.levels[low:high]), last - first


def run(name: str, pieces: Iterator[Edges], clock: Clock = FINE) -> tuple[int, int]:
    """Teeth and events of a recording."""
    tracker = Tracker(catalogue.wheel(name), clock)
    teeth = events = 0
    until = 0
    for piece in pieces:
        until = int(piece.ticks[-1]) + 1
        told = tracker.feed(piece, until)
        teeth, events = teeth + len(told), events + len(told.events)
    told = tracker.finish(until)
    return teeth + len(told), events + len(told.events)


def cut(edges: Edges) -> Iterator[Edges]:
    for begin in range(0, len(edges), PIECE):
        yield Edges(edges.ticks[begin : begin + PIECE], edges.levels[begin : begin + PIECE])


def timed(runs: int, work: Callable[[], object]) -> tuple[float, float]:
    found = []
    for _ in range(runs):
        start = time.process_time()
        work()
        found.append(max(time.process_time() - start, 1e-9))
    return statistics.median(found), max(found) - min(found)


ROWS = [
    # wheel, rpm, fault in every turn, swing
    ("60-2", 3000.0, "clean", 0.0),
    ("60-2", 3000.0, "missing", 0.0),
    ("60-2", 3000.0, "extra", 0.0),
    ("60-2", 800.0, "clean", 0.03),
    ("60-2", 800.0, "missing", 0.03),
    ("60-2", 800.0, "extra", 0.03),
    ("60-2", 200.0, "clean", 0.2),
    ("36-1", 800.0, "clean", 0.03),
    ("36-1", 200.0, "clean", 0.2),
    ("36", 800.0, "clean", 0.03),
    ("24-1", 800.0, "clean", 0.03),
    ("12-1", 800.0, "clean", 0.03),
    ("12-1", 200.0, "clean", 0.2),
    ("6-1", 800.0, "clean", 0.03),
    ("4+1", 400.0, "clean", 0.03),
]


def speeds(runs: int, seconds: float) -> None:
    print(f"{seconds:g} s of each signal, CPU time on one core, median and spread of {runs} runs")
    print(f"{'wheel':10}{'rpm':>6}{'every turn':>12}{'edges':>10}{'median s':>10}{'spread s':>10}", end="")
    print(f"{'million edges/s':>17}{'numpy.diff':>12}{'% of live':>11}")
    for name, rpm, kind, swing in ROWS:
        turns = 40
        edges, turn = whole_turns(name, rpm, turns, kind, swing)
        edges = stretched(edges, turn, max(1, round(seconds / (turn * 16e-9))))
        _, events = run(name, cut(edges))
        median, spread = timed(runs, lambda edges=edges, name=name: run(name, cut(edges)))
        plain, _ = timed(runs, lambda edges=edges: [np.diff(piece.ticks) for piece in cut(edges)])
        span = (int(edges.ticks[-1]) - int(edges.ticks[0])) * 16e-9
        print(
            f"{name:10}{rpm:6.0f}{kind:>12}{len(edges):10}{median:10.3f}{spread:10.3f}{len(edges) / median / 1e6:17.3f}"
            f"{len(edges) / plain / 1e6:12.0f}{100 * median / span:11.1f}  {events} events"
        )


def memory() -> None:
    print("\nPeak of what Python and numpy hold while tracking, in MB (the signal is made piece by piece)")
    print(f"{'wheel':10}{'every turn':>12}{'edges':>12}{'peak MB':>10}")
    for kind in ("clean", "extra"):
        edges, turn = whole_turns("60-2", 6000.0, 100, kind)
        for many in (5, 25) if kind == "extra" else (10, 100, 1000):
            tracemalloc.start()
            run("60-2", (Edges(edges.ticks + i * turn, edges.levels) for i in range(many)))
            peak = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
            print(f"{'60-2':10}{kind:>12}{many * len(edges):12}{peak / 1e6:10.1f}")


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 60.0
    speeds(runs, seconds)
    memory()


if __name__ == "__main__":
    main()
