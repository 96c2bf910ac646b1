"""`toothwise examine`: a recording, from its edges to its findings."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from toothwise.commands import parsing
from toothwise.errors import FileTrouble

if TYPE_CHECKING:
    from toothwise.examine import Examination, Result
    from toothwise.show.progress import Progress

_ABOUT = """
Examine a recording: which teeth are missing, which edges are extra, on which tooth and in which revolution.

TARGET is a file (edges as CSV with the header time_s,channel,level; VCD; sampled volts as CSV or WAV) or the
number of a recording in the book, whose findings are then kept there.
"""

_EXAMPLES = """
toothwise examine edges.csv                 the wheel is made out from the signal
toothwise examine edges.csv --wheel 60-2    the wheel is known
toothwise examine 7 --json                  recording 7 of the book, for a machine
toothwise examine edges.csv --keep          and keep file and findings in the book
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "examine", run, "find what is wrong in a recording", _ABOUT, _EXAMPLES)
    parser.add_argument("target", metavar="TARGET", help="a file, or the number of a recording in the book")
    parsing.add_wheel(parser)
    parsing.add_job(parser)
    parser.add_argument(
        "--channel",
        action="append",
        default=[],
        type=_channel,
        metavar="THEIRS=OURS",
        help="a file's own name for crank, cam, feed or aux; may be given several times",
    )
    parser.add_argument(
        "--level",
        type=float,
        metavar="VOLTS",
        help="where an edge counts in sampled volts (default: by the signal)",
    )
    parser.add_argument(
        "--full-scale",
        type=float,
        default=1.0,
        metavar="VOLTS",
        help="what a WAV file's largest value stands for",
    )
    parser.add_argument("--keep", action="store_true", help="keep a file's edges and findings in the book")
    parser.add_argument("--all", action="store_true", help="print every finding, measure and cause, however many")
    parsing.add_json(parser)
    parsing.add_book(parser)


def _channel(text: str) -> tuple[str, str]:
    theirs, sign, ours = text.rpartition("=")
    if not sign or ours not in ("crank", "cam", "feed", "aux"):
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form THEIRS=crank (or cam, feed, aux)")
    return theirs, ours


def run(args: argparse.Namespace) -> int:
    from toothwise.commands.cards import job_number
    from toothwise.commands.sources import recording_of, wheel_named
    from toothwise.examine import examine
    from toothwise.examine.explain import by_card, explain, job_of
    from toothwise.show.progress import Progress

    job = job_of(args.job)
    wheel, cam_wheel = wheel_named(args.wheel), wheel_named(args.cam_wheel)
    reading = {"names": dict(args.channel), "level_v": args.level, "full_scale_v": args.full_scale}
    with recording_of(args.target, args.book, **reading) as (recording, book), Progress() as progress:
        result = examine(
            recording,
            wheel,
            cam_wheel=cam_wheel,
            progress=lambda e: _say(progress, e),
            **by_card(job),
        )
        explain(result, job)
        whole = result.as_json()
        if book is not None:
            book.keep_result(int(args.target), whole)
            if args.job is not None:
                book.assign(int(args.target), job_number(book, args.job))
        elif args.keep:
            from toothwise.book import Book

            with Book.open(args.book) as kept:
                number = kept.keep_recording(recording, job_number(kept, args.job), result=whole)
            print(f"kept as recording {number}", file=sys.stderr)
    return tell(result, as_json=args.json, every=args.all)


def _say(progress: Progress, examination: Examination) -> None:
    tally = examination.tally()
    progress.at(f"examining: {tally.edges:,} edges, {tally.until_s:.1f} s of signal")


def tell(result: Result, *, as_json: bool, every: bool = False) -> int:
    """Print a result and return the exit code that goes with it. Raises FileTrouble if no wheel fits."""
    whole = result.as_json()
    if as_json:
        print(json.dumps(whole, allow_nan=False))
    elif result.wheel is not None:
        from toothwise.show.screen import Look
        from toothwise.show.summary import summary

        print("\n".join(summary(whole, Look(sys.stdout), every=every)))
    if result.wheel is None:
        could = f"It could be {', '.join(result.candidates)}" if result.candidates else "No known wheel fits it"
        raise FileTrouble(
            f"The wheel cannot be made out from {result.edge_counts.get(result.crank, 0):,} crank edges",
            cause=could,
            step="Name it with --wheel, or record more turns",
        )
    return 1 if result.faults else 0
