"""`toothwise wiggle`: which place of a harness lets go when it is moved."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from toothwise.commands import parsing

if TYPE_CHECKING:
    from toothwise.wiggle import Judged

_ABOUT = """
Find the place of a harness that lets go when it is moved.

Work from the sensor to the control unit, 10 to 15 cm at a time; bend each place 30 to 45 degrees both ways, pull no
harder than 10 to 20 N a wire, and keep hands, sleeves and leads clear of belts, fan and hot parts.
"""

_EXAMPLES = """
toothwise wiggle --from edges.csv --marks marks.csv     a recording and who held what when
toothwise wiggle --from 7                               recording 7 of the book, with its own marks
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "wiggle", run, "find the place of a harness that lets go", _ABOUT, _EXAMPLES)
    parser.add_argument(
        "--from", dest="target", required=True, metavar="TARGET", help="a file, or a recording's number in the book"
    )
    parser.add_argument("--marks", metavar="MARKS.csv", help="time_s,place: from when on the hands were where")
    parser.add_argument(
        "--mode",
        choices=("turning", "rest", "continuity"),
        help="how the harness is watched (default: by what the signal does)",
    )
    parsing.add_wheel(parser)
    parsing.add_json(parser)
    parsing.add_book(parser)


def run(args: argparse.Namespace) -> int:
    return _from_recording(args)


def _from_recording(args: argparse.Namespace) -> int:
    from toothwise.commands.sources import recording_of, wheel_named
    from toothwise.errors import FileTrouble
    from toothwise.show.progress import Progress
    from toothwise.wiggle import Mark, judge, look, read_marks

    wheel, cam_wheel = wheel_named(args.wheel), wheel_named(args.cam_wheel)
    with recording_of(args.target, args.book) as (recording, book), Progress() as progress:
        if args.marks is not None:
            marks = read_marks(args.marks, recording.clock)
        elif book is not None:
            marks = [Mark(tick, place) for tick, place in book.recording(int(args.target)).marks()]
        else:
            raise FileTrouble(
                "There are no marks: nobody knows what was moved when",
                step="Give them with --marks MARKS.csv, as time_s,place",
            )
        seen = look(
            recording,
            marks,
            mode=args.mode,
            wheel=wheel,
            cam_wheel=cam_wheel,
            open_ended=book is None,
            progress=lambda tick: progress.at(f"looking: {recording.clock.span_s(tick):.1f} s of signal"),
        )
        judged = judge([seen])
    return tell(judged, as_json=args.json)


def tell(judged: Judged, *, as_json: bool) -> int:
    """Print what came of it; the exit code that goes with it."""
    whole = judged.as_json()
    if as_json:
        print(json.dumps(whole, allow_nan=False))
    else:
        from toothwise.show.screen import Look
        from toothwise.show.wiggle import summary

        print("\n".join(summary(whole, Look(sys.stdout))))
    return int(judged.found)
