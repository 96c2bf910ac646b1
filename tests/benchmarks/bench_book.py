"""How large the book gets, and what keeping edges costs: ten minutes of a 60-2 wheel at idle, both edges.

    python -m tests.benchmarks.bench_book [--minutes 10] [--rpm 800] [--runs 3]

The signal is arithmetic, made here: 58 teeth of half a pitch, two absent, a speed that ripples twice a
revolution and drifts, and white jitter on every edge, in ticks of 16 ns. It is handed over in batches of 50
ms, as a rig would.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
from toothwise.book import Book
from toothwise.edges.signal import Batch, Clock, Edges

TICK_NS = 16.0
SLOTS, ABSENT = 60, 2


def idle(minutes: float, rpm: float, jitter_us: float = 1.0) -> Edges:
    """Both edges of every tooth, as ticks of 16 ns."""
    revolutions = int(minutes * rpm)
    rising = np.arange(SLOTS - ABSENT) / SLOTS
    places = np.sort(np.concatenate([rising, rising + 0.5 / SLOTS]))  # in revolutions
    angle = (np.arange(revolutions)[:, None] + places[None, :]).ravel()
    rng = np.random.default_rng(60)
    ripple = 0.02 / (4 * np.pi) * np.sin(4 * np.pi * angle) + 0.03 * np.sin(angle / 40.0)
    seconds = (angle + ripple) * 60.0 / rpm + rng.normal(0.0, jitter_us * 1e-6, len(angle))
    ticks = np.sort(np.round(seconds / (TICK_NS * 1e-9)).astype(np.int64))
    return Edges(ticks - ticks[0], (np.arange(len(ticks)) % 2 == 0).astype(np.uint8))


def batches(edges: Edges, every_s: float = 0.05) -> list[Batch]:
    """The edges as a rig hands them over."""
    step = Clock(TICK_NS).ticks(every_s)
    ends = np.arange(step, int(edges.ticks[-1]) + step + 1, step)
    cuts = np.searchsorted(edges.ticks, ends)
    begins = np.concatenate([[0], cuts[:-1]])
    return [
        Batch(int(end), {"crank": Edges(edges.ticks[a:b], edges.levels[a:b])})
        for end, a, b in zip(ends, begins, cuts, strict=True)
    ]


def one_run(folder: Path, parts: list[Batch]) -> tuple[int, float, float]:
    """Bytes of the file, CPU seconds to write it as a live recording does, CPU seconds to read it."""
    path = folder / "book.sqlite"
    per_commit = 10  # batches of 50 ms: a chunk each half second, as the clock of a live recording cuts it
    with Book.open(path) as book:
        before = time.process_time()
        recorder = book.start_recording(Clock(TICK_NS), ("crank",), {"made": "bench_book"})
        for i, part in enumerate(parts):
            recorder.add(part)
            if i % per_commit == per_commit - 1:
                recorder._pack_incoming()
        recorder.finish()
        wrote = time.process_time() - before
        before = time.process_time()
        read = sum(len(b.edges["crank"]) for b in book.recording(recorder.id).batches() if b.edges)
        took = time.process_time() - before
        assert read == sum(len(p.edges["crank"]) for p in parts)
    return sum(f.stat().st_size for f in folder.iterdir()), wrote, took


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--rpm", type=float, default=800.0)
    options.add_argument("--runs", type=int, default=3)
    given = options.parse_args()
    edges = idle(given.minutes, given.rpm)
    parts = batches(edges)
    runs = []
    for _ in range(given.runs):
        with tempfile.TemporaryDirectory() as folder:
            runs.append(one_run(Path(folder), parts))
    size, wrote, took = zip(*runs, strict=True)
    millions = len(edges) / 1e6
    print(f"{given.minutes:g} min of 60-2 at {given.rpm:g} rpm: {len(edges)} edges, {given.runs} runs")
    print(f"{'':34}{'median':>10}{'least':>10}{'most':>10}")
    rows = [
        ("file, MB", [s / 1e6 for s in size]),
        ("file, bytes an edge", [s / len(edges) for s in size]),
        ("write, CPU s a million edges", [w / millions for w in wrote]),
        ("read, CPU s a million edges", [t / millions for t in took]),
    ]
    for name, values in rows:
        print(f"{name:34}{statistics.median(values):10.3f}{min(values):10.3f}{max(values):10.3f}")


if __name__ == "__main__":
    main()
