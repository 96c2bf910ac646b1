"""SIGKILL at random moments of a live recording: what was committed is there, the book opens, under a second is lost.

    python -m tests.book.kill_campaign [--kills 200] [--seed 1] [--server]

With --server the book is on a PostgreSQL server of our own. Prints what was lost at each kill; ends with 1 if any kill
lost a second or more, or left a book that does not check.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from toothwise.book import Book

from tests.book.server import Cluster
from tests.book.test_trouble import KILLED


def one_kill(after_s: float, cluster: Cluster | None) -> tuple[float, list[str]]:
    """Seconds of recording lost, and what is wrong with the book."""
    with contextlib.ExitStack() as stack:
        if cluster:
            book_at = stack.enter_context(cluster.database("kill"))
        else:
            book_at = str(Path(stack.enter_context(tempfile.TemporaryDirectory())) / "book.sqlite")
        child = subprocess.Popen([sys.executable, "-c", KILLED, book_at], stdout=subprocess.PIPE, text=True)
        assert child.stdout is not None
        child.stdout.readline()  # it records now
        time.sleep(after_s)
        child.kill()
        last = max([int(line) for line in child.stdout if line.strip().isdecimal()], default=0)
        child.wait()
        child.stdout.close()
        with Book.open(book_at) as book:
            wrong = list(book.faults())
            (entry,) = book.recordings()
            batches = list(book.recording(entry.id).batches())
        until = batches[-1].until_tick if batches else 0
        ticks = np.concatenate([b.edges["crank"].ticks for b in batches if b.edges] or [np.empty(0, np.int64)])
        if not np.array_equal(ticks, np.arange(0, until, 100)):
            wrong.append("the edges before the last committed tick are not all there")
        return (last - until) / 1e6, wrong


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--kills", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--server", action="store_true")
    given = options.parse_args()
    chance = random.Random(given.seed)
    lost, faults = [], []
    with Cluster(durable=True) if given.server else contextlib.nullcontext() as cluster:
        for _ in range(given.kills):
            after_s = chance.uniform(0.0, 2.0)
            seconds, wrong = one_kill(after_s, cluster)
            lost.append(seconds)
            faults += [f"killed after {after_s:.3f} s: {fault}" for fault in wrong]
    print(
        f"{given.kills} kills: lost s median {statistics.median(lost):.3f}, most {max(lost):.3f}; faults {len(faults)}"
    )
    print("\n".join(faults))
    return int(bool(faults) or max(lost) >= 1.0)


if __name__ == "__main__":
    sys.exit(main())
