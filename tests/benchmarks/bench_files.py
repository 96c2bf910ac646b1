"""How fast files are read and written, and at what memory. Prints a table; asserts nothing.

python -m tests.benchmarks.bench_files [million rows, default 3] [runs, default 5]
"""

from __future__ import annotations

import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import MappingProxyType

import numpy as np
from toothwise.edges import volts_csv, wav
from toothwise.edges.files import open_recording, write_recording
from toothwise.edges.signal import Batch, Clock, Edges

PER_BATCH = 200_000


class Long:
    """A recording of any length that is never held: 60-2 at 3000 rpm with jitter, 16 ns ticks."""

    clock = Clock(16.0)
    channels = ("crank",)
    source = MappingProxyType({})

    def __init__(self, edges: int) -> None:
        self.edges = edges

    def batches(self):
        rng = np.random.default_rng(1)
        tick = 0
        for first in range(0, self.edges, PER_BATCH):
            n = min(PER_BATCH, self.edges - first)
            ticks = tick + np.cumsum(10_417 + rng.integers(-99, 99, n))
            tick = int(ticks[-1])
            yield Batch(tick + 1, {"crank": Edges(ticks, ((first + np.arange(n)) & 1).astype(np.uint8))})


def volts(samples: int):
    for first in range(0, samples, PER_BATCH):
        n = np.arange(first, min(samples, first + PER_BATCH), dtype=np.int64)
        yield n, np.where(n // 20 % 60 < 58, 4 * np.sin(2 * np.pi * n / 20.3), 0.0)


def timed(runs: int, rows: int, work: Callable[[], object]) -> str:
    rates = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        rates.append(rows / (time.perf_counter() - start) / 1e6)
    return f"{statistics.median(rates):8.2f} {min(rates):8.2f} {max(rates):8.2f}"


def read(path: Path) -> None:
    for _ in open_recording(path).batches():
        pass


def memory_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    rows = int(float(sys.argv[1] if len(sys.argv) > 1 else 3) * 1e6)
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    print(f"{'million rows or samples a second':38s}   median    least     most   file MB  most memory MB")
    with tempfile.TemporaryDirectory() as folder:
        for form in ("csv", "vcd"):
            path = Path(folder) / f"edges.{form}"
            show(f"write edges {form}", timed(1, rows, lambda path=path: write_recording(path, Long(rows))), path)
            show(f"read edges {form}", timed(runs, rows, lambda path=path: read(path)), path)
        path = Path(folder) / "volts.csv"
        show("write volts csv", timed(1, rows, lambda: volts_csv.write(path, Clock(10_000.0), volts(rows))), path)
        show("read volts csv", timed(runs, rows, lambda: read(path)), path)
        sound = Path(folder) / "volts.wav"
        wav.write(sound, 100_000, (v[:, None] for _, v in volts(rows)))
        show("read volts wav", timed(runs, rows, lambda: read(sound)), sound)


def show(what: str, rates: str, path: Path) -> None:
    print(f"{what:38s} {rates} {path.stat().st_size / 1e6:9.0f} {memory_mb():12.0f}")


if __name__ == "__main__":
    main()
