"""Many benches, one book on a PostgreSQL server that is killed and started again: nothing lost, nothing twice.

    python -m tests.book.bench_campaign [--benches 8] [--results 250] [--kills 10] [--seed 1] [--kill-benches]

Each bench is a program of its own with its own queue, and has a result about every 20 ms. The server gets SIGKILL at
random moments, all its processes at once, and is started again up to 2 s later; with --kill-benches a bench is killed
too each time, and started again with the queue it left. Then the same while one program records edges into the book.
Ends with 1 unless every result that a bench was told is kept stands in the book, once and word for word, and each edge.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from toothwise.book import Book

from tests.book.made_results import made
from tests.book.server import Cluster

BENCH = """
import random, sys, time
from pathlib import Path
from toothwise.book import ResultQueue
from tests.book.made_results import made
address, queue, first, count, name = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]), sys.argv[5]
with ResultQueue(address, queue) as results:
    for n in range(first, first + count):
        results.keep(made(n, lot=f"L{n % 3}", bench=name))
        print(n, flush=True)
        time.sleep(random.uniform(0, 0.04))
    sys.exit(not results.flush(120.0))
"""

RECORDER = """
import sys, time
import numpy as np
from toothwise.book import Book
from toothwise.edges.signal import Batch, Clock, Edges
with Book.open(sys.argv[1]) as book:
    running = book.start_recording(Clock(1000.0), ("crank",), {})
    print(running.id, flush=True)
    at, start = 0, time.monotonic()
    while at < float(sys.argv[2]) * 1e6:
        now = int((time.monotonic() - start) * 1e6) // 100 * 100
        ticks = np.arange(at, now, 100)
        at = now
        running.add(Batch(at, {"crank": Edges(ticks, (ticks // 100 % 2).astype(np.uint8))}))
        time.sleep(0.02)
    running.finish()
    print(at, flush=True)
"""


@dataclass
class Bench:
    """One bench's program, started again where it left off."""

    name: str
    address: str
    queue: Path
    first: int
    count: int
    kept: set[int] = field(default_factory=set)
    process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        done = max(self.kept, default=self.first - 1) + 1
        left = str(max(0, self.first + self.count - done))
        arguments = [self.address, str(self.queue), str(done), left, self.name]
        self.process = subprocess.Popen([sys.executable, "-c", BENCH, *arguments], stdout=subprocess.PIPE, text=True)
        assert self.process.stdout
        os.set_blocking(self.process.stdout.fileno(), False)

    def listen(self) -> None:
        """Take down what it was told is kept."""
        assert self.process and self.process.stdout
        self.kept.update(int(line) for line in self.process.stdout if line.strip().isdecimal())

    def kill(self) -> None:
        """SIGKILL; what it said before counts."""
        assert self.process and self.process.stdout
        self.process.kill()
        self.process.wait()
        self.listen()
        self.process.stdout.close()


def run(cluster: Cluster, benches: int, results: int, kills: int, seed: int, kill_benches: bool) -> list[str]:
    """What is wrong at the end."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        address = cluster.address()
        Book.open(address).close()
        all_benches = [
            Bench(f"bench {i}", address, Path(folder) / f"{i}.sqlite", i * results, results) for i in range(benches)
        ]
        for bench in all_benches:
            bench.start()
        for _ in range(kills):
            time.sleep(chance.uniform(0.1, 1.0))
            cluster.kill()
            if kill_benches:
                bench = chance.choice(all_benches)
                bench.kill()
                bench.start()
            time.sleep(chance.uniform(0.0, 2.0))
            cluster.start()
        wrong = []
        for bench in all_benches:
            assert bench.process
            while bench.process.poll() is None:
                bench.listen()
                time.sleep(0.05)
            bench.listen()
            assert bench.process.stdout
            bench.process.stdout.close()
            if bench.process.returncode:
                wrong.append(f"{bench.name} ended with {bench.process.returncode}")
            if bench.kept != set(range(bench.first, bench.first + results)):
                wrong.append(f"{bench.name} kept {len(bench.kept)} of {results}")
        return wrong + faults(address, all_benches)


def faults(address: str, benches: list[Bench]) -> list[str]:
    """What the book lacks, or has twice or otherwise."""
    wrong = []
    with Book.open(address) as book:
        found = [result for lot in book.bench.lots() for result in book.bench.lot_results(lot.lot)]
    wanted = {made(n)["uuid"]: made(n, lot=f"L{n % 3}", bench=bench.name) for bench in benches for n in bench.kept}
    seen = Counter(result["uuid"] for result in found)
    wrong += [f"{uuid} is lost" for uuid in wanted if uuid not in seen]
    wrong += [f"{uuid} is there {times} times" for uuid, times in seen.items() if times > 1]
    wrong += [f"{r['uuid']} is not what was given" for r in found if wanted.get(r["uuid"]) != r]
    return wrong


def record(cluster: Cluster, seconds: float, kills: int, seed: int) -> tuple[int, list[str]]:
    """Record edges while the server is killed; how many there are, and what is wrong at the end."""
    chance = random.Random(seed)
    child = subprocess.Popen(
        [sys.executable, "-c", RECORDER, cluster.address(), str(seconds)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout
    number = int(child.stdout.readline())
    for _ in range(kills):
        time.sleep(chance.uniform(0.2, 1.0))
        cluster.kill()
        time.sleep(chance.uniform(0.0, 1.0))
        cluster.start()
    until = int(child.stdout.readline())
    wrong = [] if child.wait() == 0 else [f"the recorder ended with {child.returncode}"]
    child.stdout.close()
    with Book.open(cluster.address()) as book:
        batches = list(book.recording(number).batches())
        wrong += book.faults()
    ticks = np.concatenate([batch.edges["crank"].ticks for batch in batches])
    if not np.array_equal(ticks, np.arange(0, until, 100)):
        wrong.append(f"{len(ticks)} edges are in the book, {until // 100} were recorded")
    return len(ticks), wrong


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--benches", type=int, default=8)
    options.add_argument("--results", type=int, default=250)
    options.add_argument("--kills", type=int, default=10)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--kill-benches", action="store_true")
    given = options.parse_args()
    with Cluster(durable=True) as cluster:
        began = time.monotonic()
        wrong = run(cluster, given.benches, given.results, given.kills, given.seed, given.kill_benches)
        took = time.monotonic() - began
        also = ", a bench each time too" if given.kill_benches else ""
        print(
            f"{given.benches} benches, {given.benches * given.results} results, the server killed {given.kills} times"
            f"{also}, {took:.0f} s: {len(wrong)} lost, twice or wrong"
        )
        edges, of_edges = record(cluster, 1.5 * given.kills, given.kills, given.seed)
        print(f"{edges} edges recorded, the server killed {given.kills} times: {len(of_edges)} faults")
    print("\n".join(wrong + of_edges))
    return int(bool(wrong or of_edges))


if __name__ == "__main__":
    sys.exit(main())
