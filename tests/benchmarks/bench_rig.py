"""What the firmware on the unix port carries over a pseudo-terminal: edges asked, delivered, lost and counted.

    python -m tests.benchmarks.bench_rig [--seconds 60] [--runs 3] [RATE ...]

Each run holds the promise of `tests/firmware/vouch.py`: every edge was delivered at its tick, or is counted and
lies in a blind stretch. `rig cpu` and `host cpu` are shares of one core; the host here decodes and keeps every frame.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "host")]

import numpy as np  # noqa: E402
from toothwise.firmware import wire  # noqa: E402

from tests.firmware import streams, worlds  # noqa: E402

HZ = 62_500_000


def ticks_of(frames: list[worlds.Frame]) -> tuple[np.ndarray, list[tuple[int, int, int]]]:
    """Wide ticks of channel 0 and its blind stretches (start, end, lost)."""
    parts = [np.empty(0, np.int64)]
    blind = []
    for _, kind, _, payload in frames:
        if kind == wire.EDGES:
            _, _, base, phase, _, words = wire.read_edges(payload)
            time31 = (np.frombuffer(words, "<u4") >> 1).astype(np.int64)
            slack = wire.SLACK_TICKS
            parts.append(base - slack + ((time31 - phase + slack) & wire.TIME_MASK))
        elif kind == wire.BLIND and payload[0] == 0:
            _, _, start, end, lost = wire.read_blind(payload)
            blind.append((start, end, lost))
    return np.concatenate(parts), blind


def run(path: Path, true: np.ndarray, seconds: float) -> tuple[float, int, float, float, float]:
    """(delivered edges a second, lost, blind s, rig cpu, host cpu)."""
    world = worlds.UnixPort(path)
    world.hello()
    began = int(world.ask("start").split("tick=")[1])
    cpu = time.process_time()
    start = time.monotonic()
    end_reason = wire.reason_id("source_end")
    world.wait(lambda f: f[1] == wire.FAULT and f[3][0] == end_reason, seconds * 2 + 30)
    took = time.monotonic() - start
    host = (time.process_time() - cpu) / took
    world.collect(0.5)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    world.close()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    rig = (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) / took
    ticks, blind = ticks_of(world.seen)
    lost = sum(row[2] for row in blind)
    inside = np.zeros(len(true), bool)
    for first, last, _ in blind:
        inside[np.searchsorted(true + began, first) : np.searchsorted(true + began, last)] = True
    kept = ticks[~np.any([(ticks >= a) & (ticks < b) for a, b, _ in blind], axis=0)]
    assert np.array_equal(kept, (true + began)[~inside]), "an edge is neither delivered nor accounted for"
    assert len(ticks) + lost == len(true)
    blind_s = sum(b - a for a, b, _ in blind[1:]) / HZ
    return len(ticks) / took, lost, blind_s, rig, host


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rates", nargs="*", type=int, default=[100_000], metavar="RATE", help="edges a second")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--runs", type=int, default=3)
    given = parser.parse_args()
    print(f"{os.cpu_count()} cores, {given.seconds:g} s a run, {given.runs} runs: median (lowest to highest)")
    print(f"{'asked /s':>10} {'delivered /s':>30} {'lost':>24} {'blind s':>22} {'rig cpu':>20} {'host cpu':>20}")
    for rate in given.rates:
        edges = {0: streams.square(1000, HZ // rate, int(rate * given.seconds))}
        with tempfile.TemporaryDirectory() as folder:
            path = streams.write(Path(folder) / "stream", edges, HZ, int(HZ * given.seconds) + HZ // 10)
            rows = [run(path, edges[0][0], given.seconds) for _ in range(given.runs)]
        cells = []
        for column, (form, width) in zip(
            zip(*rows, strict=True),
            (("{:,.0f}", 30), ("{:,}", 24), ("{:.3f}", 22), ("{:.2f}", 20), ("{:.2f}", 20)),
            strict=True,
        ):
            low, middle, high = min(column), statistics.median_low(column), max(column)
            cells.append(f"{form.format(middle)} ({form.format(low)} to {form.format(high)})".rjust(width))
        print(f"{rate:>10,} " + " ".join(cells))


if __name__ == "__main__":
    main()
