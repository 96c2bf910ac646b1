"""`toothwise watch`: the sensor live, everything kept in the book."""

from __future__ import annotations

import argparse
import sys

from toothwise.commands import parsing

_ABOUT = """
Watch a crank sensor live: speed, teeth seen, missing and extra, the revolution raster, a line a finding.
Every edge is kept in the book, at most a second after it came.

Before clipping on: leads clear of belts and fan, which may start by itself; nobody loose-sleeved near a
running engine; for cranking, fuel and ignition disabled the maker's way, at most 10 s on and 60 s rest.
"""

_EXAMPLES = """
toothwise watch                             the only rig there is; the wheel is made out
toothwise watch --wheel 36-1 --seconds 30   a known wheel, for half a minute
toothwise watch --rig /dev/ttyACM1          one of several rigs
toothwise watch --page --lan                the same on a phone on the fender
toothwise watch --json --seconds 5          the result as one object
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "watch", run, "watch a sensor live and record it", _ABOUT, _EXAMPLES)
    parsing.add_rig(parser)
    parsing.add_wheel(parser)
    parser.add_argument("--seconds", type=parsing.seconds, metavar="S", help="end after so long (default: at Ctrl-C)")
    parsing.add_job(parser)
    parser.add_argument("--note", metavar="TEXT", help="a line to keep with the recording")
    parsing.add_view(parser)
    parsing.add_page(parser)
    parsing.add_json(parser)
    parsing.add_book(parser)


def run(args: argparse.Namespace) -> int:
    from toothwise.book import Book
    from toothwise.commands.examine import tell
    from toothwise.commands.session import session, told
    from toothwise.commands.sources import wheel_named
    from toothwise.link import open_rig

    wheel, cam_wheel = wheel_named(args.wheel), wheel_named(args.cam_wheel)
    with Book.open(args.book) as book, open_rig(args.rig) as rig:
        outcome = session(
            args,
            rig,
            book,
            name="watch",
            wheel=wheel,
            cam_wheel=cam_wheel,
            seconds=args.seconds,
            note=args.note,
        )
    print(f"kept as recording {outcome.number} in {book.where}", file=sys.stderr)
    code = tell(outcome.result, as_json=args.json)
    return told(outcome, code)
