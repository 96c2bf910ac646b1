"""`toothwise bench`: the rebuilder's bench. Options, limits, a recorded run.

The live run is in bench_run.py; lots, papers and statistics are in bench_lots.py.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from toothwise.commands import parsing
from toothwise.errors import FileTrouble

if TYPE_CHECKING:
    from toothwise.bench.figures import Master

_ABOUT = """
Test sensors on a bench with a test wheel, lot after lot: limits, a proven pass, fail or retest for each sensor, and
what a whole lot comes to.

The sensor is on channel crank. A master sensor on channel aux, less than a pitch beside it on the same wheel, takes the
wheel's and the spindle's errors out of the figures; without one, the wheel as a master sensor's run showed it does for
the wheel's.

A measure passes only where it is inside its limits by the guard band, which comes from what the measuring may be wrong
by; nearer to a limit the sensor is to be tested again. The templates' limits are proposals: set your own.
"""

_EXAMPLES = """
toothwise bench limits hall > hall.toml              a limits file to fill in; what stands there is proposed
toothwise bench run QB-7 --limits hall.toml          test the sensors of lot QB-7, one after another
toothwise bench run TRY --limits hall.toml --rig virtual   without a board: made motor, made sensors
toothwise bench judge edges.csv --limits hall.toml   a recorded run
toothwise bench lot QB-7 --report qb7.html           what the lot comes to
toothwise bench certificate QB-7 0042                one sensor's paper; label: its sticker
toothwise bench plan 1000 --aql 1.0                  how many of a lot to check
toothwise bench gauge study.csv --tolerance 1.0      is the bench itself good enough?
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "bench", run, "test sensors on a bench, lot after lot", _ABOUT, _EXAMPLES)
    action = parsing.actions(parser)
    live = action("run", "test sensors one after another, on the rig", _run)
    live.add_argument("lot", metavar="LOT", help="the lot's name; new or already in the book")
    _add_limits(live)
    parsing.add_rig(live)
    live.add_argument("--ascii", action="store_true", help="draw with plain ASCII characters only")
    live.add_argument("--sensors", type=parsing.whole(1, 1_000_000), metavar="N", help="end after so many")
    parsing.add_book(live)

    judge = action("judge", "judge a recorded run", _judge)
    judge.add_argument("target", metavar="TARGET", help="a file, or the number of a recording in the book")
    _add_limits(judge)
    judge.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="from a meter: resistance=850, insulation=20M",
    )
    judge.add_argument("--lot", default="", help="keep the result in this lot, with --serial")
    judge.add_argument("--serial", default="", metavar="NUMBER", help="the sensor's serial number")
    parsing.add_json(judge)
    parsing.add_book(judge)

    limits = action("limits", "print a limits file to fill in", _limits)
    limits.add_argument("kind", choices=("variable_reluctance", "hall", "current"), help="kind of sensor")
    action("setup", "print a bench's setup to fill in: master sensor, drive", _setup)

    learn = action("learn", "learn the wheel, and where a good sensor stands, from a master sensor's run", _learn)
    learn.add_argument("target", metavar="TARGET", help="a file, or the number of a recording in the book")
    _add_limits(learn, setup=False)
    learn.add_argument("--name", metavar="NAME", required=True, help="what the book keeps the wheel as")
    parsing.add_json(learn)
    parsing.add_book(learn)

    tune = action("tune", "get to know the drive's motor, and print the lines for the setup", _tune)
    _add_limits(tune)
    parsing.add_rig(tune)

    lots = action("lots", "list the lots in the book, the latest first", _later("lots"))
    lots.add_argument("search", nargs="?", default="", metavar="TEXT", help="only those whose name or type has this")
    parsing.add_most(lots)
    parsing.add_json(lots)
    parsing.add_book(lots)

    lot = action("lot", "tell what a lot comes to", _later("lot"))
    lot.add_argument("lot", metavar="LOT")
    lot.add_argument("--report", metavar="FILE.html", help="write the report with its pictures")
    lot.add_argument("--csv", metavar="FILE.csv", help="write a table, a row a sensor")
    lot.add_argument("--replace", action="store_true", help="write over files that are there")
    lot.add_argument("--aql", type=float, metavar="PERCENT", help="decide by a sampling plan with this AQL")
    lot.add_argument("--lot-size", type=int, metavar="N", help="how many sensors the lot has, for the plan")
    parsing.add_json(lot)
    parsing.add_book(lot)

    for name in ("certificate", "label"):
        brief = f"write one sensor's {name}, or those of a whole lot"
        paper = action(name, brief, _later("paper"))
        paper.add_argument("lot", metavar="LOT")
        paper.add_argument("serial", nargs="?", metavar="SERIAL", help="without it, of every sensor of the lot")
        where = "the file to write, of a whole lot the folder (default: named after the sensor, the lot)"
        paper.add_argument("-o", "--output", metavar="FILE", help=where)
        paper.add_argument("--replace", action="store_true", help="write over files that are there")
        paper.set_defaults(paper=name)
        parsing.add_book(paper)

    plan = action("plan", "how many sensors of a lot to check, and what that can tell", _later("plan"))
    plan.add_argument("size", type=int, metavar="LOT_SIZE")
    plan.add_argument("--aql", type=float, required=True, metavar="PERCENT", help="acceptable quality level")
    plan.add_argument("--level", choices=("I", "II", "III"), default="II", help="inspection level (default II)")
    parsing.add_json(plan)

    gauge = action("gauge", "a gauge study: how much of the spread is the bench's own", _later("gauge"))
    study = gauge.add_mutually_exclusive_group(required=True)
    study.add_argument(
        "file", nargs="?", metavar="STUDY.csv", type=Path, help="columns part,operator,value; a row a measurement"
    )
    study.add_argument("--lot", help="a lot of which every bench tested every sensor several times")
    gauge.add_argument("--measure", metavar="NAME", default="edge_position", help="of the lot (default: %(default)s)")
    gauge.add_argument("--tolerance", type=float, metavar="T", help="high limit minus low limit (default: the lot's)")
    parsing.add_json(gauge)
    parsing.add_book(gauge)


def _add_limits(parser: argparse.ArgumentParser, *, setup: bool = True) -> None:
    parser.add_argument("--limits", metavar="LIMITS.toml", type=Path, required=True, help="what the sensor must do")
    if setup:
        parser.add_argument("--setup", metavar="BENCH.toml", help="what stands on this bench: master sensor, drive")


def run(args: argparse.Namespace) -> int:
    code: int = args.do(args)
    return code


def _later(name: str) -> Callable[[argparse.Namespace], int]:
    """An action of bench_lots.py, imported when it is wanted."""

    def do(args: argparse.Namespace) -> int:
        from toothwise.commands import bench_lots

        code: int = getattr(bench_lots, name)(args)
        return code

    return do


def _run(args: argparse.Namespace) -> int:
    from toothwise.commands.bench_run import run_lot

    return run_lot(args)


def _tune(args: argparse.Namespace) -> int:
    from toothwise.commands.bench_run import tune

    return tune(args)


def _limits(args: argparse.Namespace) -> int:
    from toothwise.bench import limits

    print(limits.template(args.kind), end="")
    return 0


def _setup(args: argparse.Namespace) -> int:
    from toothwise.bench import setup

    print(setup.template(), end="")
    return 0


def master_of(args: argparse.Namespace) -> tuple[str, Master]:
    """The bench's name, and its reference as the setup and the book have it."""
    from toothwise.bench import setup as setups
    from toothwise.bench.figures import Master
    from toothwise.book import Book
    from toothwise.wheel.learnt import from_dict

    setup = setups.load(args.setup)
    learnt = None
    if setup.learnt:
        with Book.open(args.book) as book:
            body = book.wheel(setup.learnt)
        if body is None:
            raise FileTrouble(
                f"the book knows no wheel {setup.learnt!r}",
                cause="`learnt` in the bench's setup names it",
                step="learn it: toothwise bench learn",
            )
        learnt = from_dict(setup.learnt, body)
    return setup.name, Master(setup.zero_deg, setup.uncertainty_deg, learnt)


def _judge(args: argparse.Namespace) -> int:
    from toothwise.bench import limits as limits_file
    from toothwise.bench.of_file import judge_recording
    from toothwise.bench.result import PASS
    from toothwise.commands.sources import book_number, recording_of

    limits = limits_file.load(args.limits)
    name, master = master_of(args)
    if args.setup is None:  # the file's own zero is all there is
        master = replace(master, zero_deg=0.0)
    number = book_number(args.target)
    if bool(args.lot) != bool(args.serial):
        raise FileTrouble("a result is kept under a lot and a serial number", step="give both, or neither")
    with recording_of(args.target, args.book) as (recording, _):
        result = judge_recording(
            lambda: recording,
            limits,
            master=master,
            typed=_readings(args.reading),
            lot=args.lot,
            serial=args.serial,
            bench=name,
            recordings=() if number is None else (number,),
            signal_alone=not args.lot,
        )
    if args.lot:
        from toothwise.book import ResultQueue
        from toothwise.commands.bench_lots import tell_waiting

        with ResultQueue(args.book) as queue:
            queue.keep(result.as_dict())
            tell_waiting(queue)
    if args.json:
        print(json.dumps({"decision": result.verdict, **result.as_dict()}, allow_nan=False))
    else:
        from toothwise.commands.bench_words import judgement

        print("\n".join(judgement(result)))
        if args.setup is None and any(one.name == "edge_position" and one.value is not None for one in result.measures):
            print("No --setup was given: a good sensor is taken to stand where the master does.")
    return 0 if result.verdict == PASS else 1


def _readings(pairs: list[str]) -> dict[str, float]:
    from toothwise.bench.limits import TYPED
    from toothwise.bench.run import number

    out = {}
    for pair in pairs:
        name, _, text = pair.partition("=")
        value = number(text)
        if name not in TYPED or value is None:
            raise FileTrouble(
                f"--reading {pair} is not understood",
                cause=f"the names are {', '.join(TYPED)}; a value is a number, with k or M where wanted",
                step="for instance --reading resistance=850",
            )
        out[name] = value
    return out


def _learn(args: argparse.Namespace) -> int:
    from toothwise.bench import limits as limits_file
    from toothwise.bench import reference
    from toothwise.bench.stage import Watch
    from toothwise.book import Book
    from toothwise.commands.sources import recording_of

    limits = limits_file.load(args.limits)
    with recording_of(args.target, args.book) as (recording, _):
        watch = Watch(limits, recording.clock, recording.channels)
        parts = [watch.feed(batch) for batch in recording.batches()] + [watch.finish()[:2]]
        sensor, master = (reference.joined([t for part in parts for t in part[side]]) for side in (0, 1))
        source = master if len(master) else sensor
        learnt = reference.learn(limits.wheel, source, recording.clock, f"bench run {args.target}")
        found = reference.against_master(limits.wheel, sensor, master, recording.clock) if len(master) else None
    if learnt is None:
        raise FileTrouble("too few whole turns to learn a wheel from", step="record a minute at a steady speed")
    with Book.open(args.book) as book:
        book.keep_wheel(args.name, learnt.as_dict())
    zero = None if found is None else found.mean_deg
    told = {"name": args.name, **learnt.as_dict(), "zero_deg": zero}
    if args.json:
        print(json.dumps(told, allow_nan=False))
        return 0
    tooth, error = learnt.largest
    print(f"Learnt {args.name!r} from {learnt.revolutions:,} turns; farthest off is tooth {tooth}, {error:+.3f}°.")
    if found is not None:
        print("For the bench's setup, where this sensor stands against the master:")
        print(f"\n[master]\nzero_deg = {zero:.4f}\nlearnt = {json.dumps(args.name)}")
    return 0
