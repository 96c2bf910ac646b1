"""Edges through the virtual rig: the firmware on the unix port, a real pseudo-terminal, the host's reader.

    python -m tests.benchmarks.bench_link [--rate 100000] [--seconds 60] [--runs 1] [--fast]

Prints, a run and the median: edges sent, received, lost, lost and not blind (must be 0), blind time, CPU of
the host side (reading and feeding) and of the firmware's process, and how long after its tick an edge
reaches the caller.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import time
from collections.abc import Iterator

import numpy as np
from toothwise import link
from toothwise.edges.signal import Batch, Blind, Edges

TICK_HZ = 62_500_000


def made(rate_hz: int, seconds: float) -> Iterator[Batch]:
    """Edges at a steady mean rate with jitter of a tenth of a pitch, in batches of 50 ms."""
    rng = np.random.default_rng(5)
    pitch = TICK_HZ / rate_hz
    step = TICK_HZ // 20
    total = int(rate_hz * seconds)
    done = 0
    for end in range(step, int(seconds * TICK_HZ) + 1, step):
        last = min(total, int(end / pitch))
        index = np.arange(done, last)
        ticks = (index * pitch + 0.45 * pitch + rng.uniform(-0.1, 0.1, len(index)) * pitch).astype(np.int64)
        yield Batch(end, {"crank": Edges(ticks, (index % 2).astype(np.uint8))})
        done = last


def one_run(rate_hz: int, seconds: float, fast: bool) -> dict[str, float]:
    """One session from start to the stream's end."""
    lost_s: list[float] = []
    blind: list[Blind] = []
    received: list[np.ndarray] = []
    lags_ms: list[float] = []
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = time.process_time()
    with link.open_rig("virtual", edges=made(rate_hz, seconds), tick_hz=TICK_HZ, fast=fast) as rig:
        begin = time.perf_counter()
        least = float("inf")
        for batch in rig.batches():
            now = time.perf_counter()
            blind += batch.blind
            if "crank" in batch.edges:
                ticks = batch.edges["crank"].ticks
                received.append(ticks)
                lags_ms.append((now - int(ticks[0]) / TICK_HZ) * 1e3)  # of the oldest edge in it
                least = min(least, (now - int(ticks[-1]) / TICK_HZ) * 1e3)
        took = time.perf_counter() - begin
        stats = rig.stats
    cpu = time.process_time() - cpu
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    board = after.ru_utime + after.ru_stime - children.ru_utime - children.ru_stime
    sent = np.concatenate([b.edges["crank"].ticks for b in made(rate_hz, seconds)])
    got = np.concatenate(received)
    lost = np.setdiff1d(sent, got)
    seen = np.zeros(len(lost), bool)
    for stretch in blind:
        if stretch.channel in (None, "crank"):
            seen |= (lost >= stretch.start_tick) & (lost < stretch.end_tick)
            lost_s.append((stretch.end_tick - stretch.start_tick) / TICK_HZ)
    return {
        "edges sent": len(sent),
        "edges received": len(got),
        "edges invented": len(np.setdiff1d(got, sent)),
        "edges lost": len(lost),
        "edges lost and not blind": int((~seen).sum()),
        "blind s": sum(lost_s),
        "frames damaged on the line": stats.bad_crc,
        "host CPU, % of a core": 100 * cpu / took,
        "firmware CPU, % of a core": 100 * board / took,
        "MB/s": stats.bytes / took / 1e6,
        "oldest edge of a batch, ms late, median": statistics.median(lags_ms) - least,
        "oldest edge of a batch, ms late, p99": float(np.percentile(lags_ms, 99)) - least,
        "took s": took,
    }


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--rate", type=int, default=100_000)
    options.add_argument("--seconds", type=float, default=60.0)
    options.add_argument("--runs", type=int, default=1)
    options.add_argument("--fast", action="store_true", help="as fast as it goes, not in real time")
    given = options.parse_args()
    runs = [one_run(given.rate, given.seconds, given.fast) for _ in range(given.runs)]
    print(f"virtual rig, {given.rate} edges/s for {given.seconds:g} s, {given.runs} run(s)")
    print(f"{'':42}{'median':>12}{'least':>12}{'most':>12}")
    for name in runs[0]:
        values = [run[name] for run in runs]
        print(f"{name:42}{statistics.median(values):12.6g}{min(values):12.6g}{max(values):12.6g}")


if __name__ == "__main__":
    main()
