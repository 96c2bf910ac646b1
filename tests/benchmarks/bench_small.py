"""Whether a small computer is enough: one core, 512 MB, a quarter of this machine's speed.

    python -m tests.benchmarks.bench_small [--seconds 15] [--edges 20000] [--slower 4] [--megabytes 512]

Method: this process and all it starts are bound to one core (sched_setaffinity) and may each have no more than so much
address space (RLIMIT_AS, stricter than so much memory). `watch` runs live on the virtual rig as in bench_watch; its
share of the core, times `--slower`, is what it would take of a core that much slower: an estimate, since memory does
not slow down with the clock. The firmware, which stands for the board, shares the core but is not counted. The other
commands must end as they do elsewhere; plots are not among them. Peak is the largest resident memory of any process.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from toothwise.edges.files import write_recording
from toothwise.edges.signal import Clock, Edges, Held

from tests.benchmarks import bench_book, bench_watch


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


def other_commands(folder: Path) -> list[tuple[str, int, float]]:
    """Each with its exit code and CPU seconds."""
    edges = bench_book.idle(2.0, 800.0)
    recording = Held(Clock(16.0), {"crank": Edges(edges.ticks, edges.levels)}, int(edges.ticks[-1]) + 1)
    write_recording(folder / "edges.csv", recording)
    environment = {**os.environ, "TOOTHWISE_BOOK": str(folder / "book.sqlite"), "MPLCONFIGDIR": str(folder)}
    out = []
    for words in (
        ["--help"],
        ["examine", "edges.csv", "--wheel", "60-2", "--keep"],
        ["examine", "edges.csv"],
        ["examine", "1", "--json"],
        ["book", "list"],
        ["export", "1", "out.vcd"],
        ["demo", "--plain"],
    ):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        ran = subprocess.run(
            [sys.executable, "-m", "toothwise", *words],
            cwd=folder, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
        )  # fmt: skip
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        if ran.returncode not in (0, 1):
            print(ran.stderr[-600:], file=sys.stderr)
        out.append((" ".join(words), ran.returncode, spent))
    return out


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--seconds", type=float, default=15.0)
    options.add_argument("--edges", type=float, default=20_000.0)
    options.add_argument("--slower", type=float, default=4.0)
    options.add_argument("--megabytes", type=int, default=512)
    options.add_argument("--runs", type=int, default=2)
    given = options.parse_args()
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    most = given.megabytes << 20
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    os.environ.setdefault(
        "OPENBLAS_NUM_THREADS", "1"
    )  # its threads' stacks are address space; one core has use for one
    begun, load = time.monotonic(), os.getloadavg()[0]
    print(f"one core, {given.megabytes} MB of address space; load {load:.1f} on {os.cpu_count()} cores before")
    shares, late, unseen = [], [], 0
    for _ in range(given.runs):
        share, latencies, lost = bench_watch.one_run(given.seconds, given.edges, [])
        shares.append(100 * share)
        late += latencies
        unseen += lost
    slow = given.slower * statistics.median(shares)
    print(f"watch, {given.edges:,.0f} edges/s    {statistics.median(shares):6.1f} % of this core, "
          f"{min(shares):.1f} to {max(shares):.1f}; of one {given.slower:g} times slower {slow:.0f} %: "
          f"{'at most 60 %, met' if slow <= 60 else 'wanted at most 60 %, NOT MET'}")  # fmt: skip
    if late:
        middle = statistics.median(late)
        print(f"  edge to screen        p50 {middle:.0f} ms, longest {max(late):.0f} ms; {unseen} not seen")
    print(f"  peak                  {peak_mb():6.0f} MB")
    with tempfile.TemporaryDirectory() as folder:
        for words, code, spent in other_commands(Path(folder)):
            print(f"{words:42} exit {code}   {spent:6.2f} CPU s   here, {given.slower * spent:6.1f} there")
    print(f"  peak                  {peak_mb():6.0f} MB   ({time.monotonic() - begun:.0f} s)")


if __name__ == "__main__":
    main()
