"""How long the lists and lots of a full book take, on both databases.

    python -m tests.benchmarks.bench_book_results [--results 100000] [--lot 500] [--measures 12] [--runs 5]

Results made by arithmetic (tests/book/made_results.py), so many to a lot, so many measures each, are put into a
SQLite book and into one on a PostgreSQL server of our own that syncs to the disk as it comes. Then each list and each
question a lot's report asks, and the report itself, so many times: seconds, on the wall.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from toothwise.bench import lot as lots
from toothwise.bench import lot_files, pages
from toothwise.book import Book, LotMean, schema
from toothwise.book.bench_results import BenchResults, _rows_of
from toothwise.book.times import now_utc

from tests.book.made_results import made
from tests.book.server import Cluster, programs


def result(n: int, per_lot: int, measures: int) -> dict[str, Any]:
    """Every seventh sensor is tested twice; one in nine fails, one in eleven is to be tested again."""
    verdict = "fail" if n % 9 == 0 else "retest" if n % 11 == 0 else "pass"
    serial = f"S{n - 1 if n % 7 == 6 else n:06}"
    return made(n, lot=f"lot {n // per_lot:04}", serial=serial, verdict=verdict, measures=measures, bench=f"b{n % 8}")


def fill(book: Book, count: int, per_lot: int, measures: int) -> None:
    """Straight into the tables, a thousand results a commit: one by one they would take an hour."""
    for first in range(0, count, 1000):
        heads, rows = [], []
        for n in range(first, min(first + 1000, count)):
            head, of_head = _rows_of(result(n, per_lot, measures))
            heads.append(head | {"kept_utc": now_utc()})
            rows += [{"result_id": n + 1} | row for row in of_head]  # the databases number from 1
        with book._store.writing() as connection:
            connection.execute(schema.bench_results.insert(), heads)
            connection.execute(schema.bench_measures.insert(), rows)


def earlier(bench: BenchResults, lot: str) -> list[LotMean]:
    return bench.earlier_means(lot, lots=lots.EARLIER_LOTS, sensors=lots.EARLIER_SENSORS)


def told(bench: BenchResults, lot: str) -> lots.Lot:
    """What `toothwise bench lot` asks the book, and what it makes of it."""
    results = bench.lot_results(lot, measures=False)
    found = lots.lot_of(lot, results, bench.measure_columns(lot, last_only=True), earlier=earlier(bench, lot))
    assert found is not None
    return found


def report(bench: BenchResults, lot: str) -> str:
    return pages.lot_report(told(bench, lot))


def timed(work: Callable[[], object], runs: int) -> list[float]:
    work()
    took = []
    for _ in range(runs):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return took


def measure(name: str, book: Book, given: argparse.Namespace) -> None:
    began = time.perf_counter()
    fill(book, given.results, given.lot, given.measures)
    filled = time.perf_counter() - began
    bench, lot = book.bench, f"lot {given.results // given.lot // 2:04}"
    numbers = iter(range(10**9, 2 * 10**9))
    work: dict[str, Callable[[], object]] = {
        "save one result": lambda: bench.save_result(result(next(numbers), 10**9, given.measures)),
        "save one that is there": lambda: bench.save_result(result(1, given.lot, given.measures)),
        "list: newest 100 results": lambda: bench.results(),
        "list: the last page": lambda: bench.results(skip=given.results - 100),
        "list: search a serial": lambda: bench.results("S000777"),
        "list: search what is nowhere": lambda: bench.results("nowhere"),
        "list: failed ones": lambda: bench.results(verdict="fail"),
        "lots: newest 100": lambda: bench.lots(),
        "lots: all": lambda: bench.lots(limit=10**6),
        "lots: search": lambda: bench.lots("lot 0007"),
        "lot: whole results": lambda: bench.lot_results(lot),
        "lot: each sensor's last": lambda: bench.lot_results(lot, last_only=True),
        "lot: one sensor's last": lambda: bench.last_result(lot, f"S{given.results // 2:06}"),
        "lot: columns of all measures": lambda: bench.measure_columns(lot),
        "lot: the same, each sensor's last": lambda: bench.measure_columns(lot, last_only=True),
        "lot: the sixteen before it": lambda: earlier(bench, lot),
        "lot: the report, with its pictures": lambda: report(bench, lot),
        "lot: the table": lambda: lot_files.as_csv(told(bench, lot)),
    }
    print(f"{name}, filled in {filled:.0f} s")
    print(f"  {'seconds':36}{'median':>9}{'least':>9}{'most':>9}")
    for what, call in work.items():
        took = timed(call, given.runs)
        print(f"  {what:36}{statistics.median(took):9.4f}{min(took):9.4f}{max(took):9.4f}", flush=True)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--results", type=int, default=100_000)
    options.add_argument("--lot", type=int, default=500)
    options.add_argument("--measures", type=int, default=12)
    options.add_argument("--runs", type=int, default=5)
    given = options.parse_args()
    print(f"{given.results} results in lots of {given.lot}, {given.measures} measures each; {given.runs} runs")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "book.sqlite"
        with Book.open(path) as book:
            measure("SQLite", book, given)
        print(f"  {path.stat().st_size / 1e6:.0f} MB")
    if programs() is None:
        print("No PostgreSQL on this machine.")
        return
    with Cluster(durable=True) as cluster, cluster.database("bench") as address:
        with Book.open(address) as book:
            measure("PostgreSQL", book, given)
        print(f"  {cluster.sql('SELECT pg_database_size(current_database())', 'bench')[0][0] / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
