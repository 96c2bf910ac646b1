"""`toothwise bench lots`, `lot`, `certificate`, `label`, `plan` and `gauge`: what is told of lots that were tested."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from toothwise.errors import BookTrouble, FileTrouble

if TYPE_CHECKING:
    from toothwise.book import Book, ResultQueue
    from toothwise.records import SensorResult

SEND_S = 5.0
"""So long a bench that ends waits for its last results to reach the book."""


def tell_waiting(queue: ResultQueue) -> None:
    """Wait a little for the results to reach the book; where they do not, say so on stderr."""
    from toothwise.show import words

    if queue.flush(SEND_S):
        return
    count, trouble = queue.waiting, queue.trouble
    waits = f"{words.count(count, 'result')} {'waits' if count == 1 else 'wait'} on this computer for the book"
    why = f": {trouble.cause or trouble.what}" if trouble else ""
    sends = f"The next run sends {'it' if count == 1 else 'them'}, or now: toothwise book send"
    print(f"{waits}{why.rstrip('.')}. {sends}", file=sys.stderr)


@contextmanager
def opened(where: str | None) -> Iterator[Book]:
    """The book, with what waited for it on this computer."""
    from toothwise.book import Book, catch_up

    with Book.open(where) as book:
        try:
            catch_up(book)
        except BookTrouble as trouble:
            print(f"Results that wait on this computer are not counted here. {trouble}", file=sys.stderr)
        yield book


def lots(args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from toothwise.commands.parsing import tell_more
    from toothwise.show.table import table

    with opened(args.book) as book:
        found = book.bench.lots(args.search, limit=args.most + 1)
    lots = found[: args.most]
    if args.json:
        print(json.dumps([asdict(line) for line in lots]))
        return 0
    rows = [["lot", "sensor type", "sensors", "passed", "retest", "failed", "last"]]
    for line in lots:
        counts = map(str, (line.sensors, line.passed, line.retest, line.failed))
        rows.append([line.lot, ", ".join(line.sensor_types), *counts, line.last_utc])
    nothing = f"no lot has {args.search!r}" if args.search else "No lot was tested yet: toothwise bench run LOT"
    print("\n".join(table(rows, right={2, 3, 4, 5})) if lots else nothing)
    tell_more(args, found)
    return 0


def lot(args: argparse.Namespace) -> int:
    from toothwise.bench import lot as lots
    from toothwise.bench import lot_files, sampling
    from toothwise.bench.pages import lot_report

    plan = None
    with opened(args.book) as book:
        results = book.bench.lot_results(args.lot, measures=False)
        columns = book.bench.measure_columns(args.lot, last_only=True)
        earlier = book.bench.earlier_means(args.lot, lots=lots.EARLIER_LOTS, sensors=lots.EARLIER_SENSORS)
    if args.aql is not None and results:
        plan = sampling.plan(args.lot_size or len({result["serial"] for result in results}), args.aql)
    lot = lots.lot_of(args.lot, results, columns, earlier=earlier, plan=plan)
    if lot is None:
        raise _no_lot(args.lot)
    if args.csv:
        write(Path(args.csv), lot_files.as_csv(lot), replace=args.replace)
    if args.report:
        write(Path(args.report), lot_report(lot), replace=args.replace)
    if args.json:
        print(json.dumps(lot_files.as_json(lot), allow_nan=False))
    else:
        from toothwise.commands.bench_words import lot_lines

        print("\n".join(lot_lines(lot)))
        for file in (args.report, args.csv):
            if file:
                print(f"written: {file}", file=sys.stderr)
    return 0 if lot.yields.failed + lot.yields.retest == 0 else 1


def write(file: Path, text: str, *, replace: bool) -> None:
    """The whole file or nothing of it; not over another one unless wanted. Raises FileTrouble."""
    from toothwise.whole import write_whole

    if file.exists() and not replace:
        raise FileTrouble(f"{file} is there already", step="choose another name, or say --replace")
    write_whole(file, text)


def _last_of(book: Book, lot: str, serial: str) -> SensorResult:
    from toothwise.bench.result import from_dict

    found = book.bench.last_result(lot, serial)
    if found is None:
        raise FileTrouble(f"lot {lot!r} has no sensor {serial!r}", step=f"toothwise bench lot {lot} lists them")
    return from_dict(found)


def paper(args: argparse.Namespace) -> int:
    from toothwise.bench import pages

    made = pages.label if args.paper == "label" else pages.certificate
    if args.serial is None:
        return _papers(args, made)
    with opened(args.book) as book:
        result = _last_of(book, args.lot, args.serial)
    file = Path(args.output or _file_name(args.paper, args.serial))
    write(file, made(result), replace=args.replace)
    print(f"The {args.paper} is in {file}.")
    return 0


def _papers(args: argparse.Namespace, made: Callable[[SensorResult], str]) -> int:
    """Of every sensor of the lot, into a folder."""
    from toothwise.bench.result import from_dict
    from toothwise.show import words

    with opened(args.book) as book:
        results = [from_dict(result) for result in book.bench.lot_results(args.lot, last_only=True)]
    if not results:
        raise _no_lot(args.lot)
    folder = Path(args.output or _safe(f"{args.paper}s-{args.lot}"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        step = "choose another place with -o"
        raise FileTrouble(f"{folder} cannot be made", cause=error.strerror or "", step=step) from None
    names: set[str] = set()
    for result in results:
        name = _file_name(args.paper, result.serial)
        if name in names:  # serial numbers that differ in a sign no file name can have
            name = _file_name(args.paper, f"{result.serial}-{result.uuid[:8]}")
        names.add(name)
        write(folder / name, made(result), replace=args.replace)
    print(f"{words.count(len(results), args.paper)} in {folder}")
    return 0


def _file_name(paper: str, serial: str) -> str:
    return _safe(f"{paper}-{serial}.{'svg' if paper == 'label' else 'html'}")


def _safe(name: str) -> str:
    return "".join(c if c.isalnum() or c in "-_. " else "_" for c in name)


def _no_lot(lot: str) -> FileTrouble:
    return FileTrouble(f"the book has no lot {lot!r}", step="toothwise bench lots lists them")


def plan(args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from toothwise.bench import sampling

    plan = sampling.plan(args.size, args.aql, args.level)
    points = {chance: plan.share_at(chance) for chance in (0.95, 0.50, 0.10)}
    zero = {f"{c:.0%}/{r:.0%}": sampling.zero_failure_size(c, r) for c, r in ((0.9, 0.9), (0.95, 0.95), (0.95, 0.99))}
    if args.json:
        curve = [{"accepted": chance, "share_bad": share} for chance, share in points.items()]
        print(json.dumps({**asdict(plan), "operating_characteristic": curve, "zero_failures": zero}))
        return 0
    print(
        f"Code letter {plan.letter}: check {plan.size} of {plan.lot_size:,}, accept with up to {plan.accept} failures"
    )
    print("(single sampling by attributes, normal inspection, as in ANSI/ASQ Z1.4).")
    for chance, share in points.items():
        print(f"  a lot with {share:.2%} bad sensors is accepted {chance:.0%} of the time")
    print("To state a share of good sensors without one failure, check (confidence/good):")
    print("  " + ", ".join(f"{name} {n}" for name, n in zero.items()))
    return 0


def gauge(args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from toothwise.bench.gauge import gauge_study, read_study, study_of_lot
    from toothwise.commands.bench_words import gauge_lines

    tolerance = args.tolerance
    if args.lot is None:
        values = read_study(args.file)
    else:
        with opened(args.book) as book:
            values, of_limits = study_of_lot(book.bench.lot_results(args.lot), args.measure)
        tolerance = of_limits if tolerance is None else tolerance
    study = gauge_study(values, tolerance)
    if args.json:
        print(json.dumps(asdict(study), allow_nan=False))
    else:
        print("\n".join(gauge_lines(study)))
    return 0
