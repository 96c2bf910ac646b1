"""`toothwise export`: a recording's edges for other programs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from toothwise.commands import parsing

_ABOUT = """
Write a recording's edges to a file: CSV (time_s,channel,level) or VCD (IEEE 1364), by the file's ending.
Blind stretches are written as stretches of unknown level.

TARGET is the number of a recording in the book, or a file in any format that examine reads.
"""

_EXAMPLES = """
toothwise export 7 edges.csv
toothwise export 7 edges.vcd
toothwise export volts.wav edges.csv --replace
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "export", run, "write a recording's edges to a file", _ABOUT, _EXAMPLES)
    parser.add_argument("target", metavar="TARGET", help="a recording's number in the book, or a file")
    parser.add_argument("file", metavar="FILE", help="the file to write, ending in .csv or .vcd")
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")
    parsing.add_book(parser)


def run(args: argparse.Namespace) -> int:
    from toothwise.commands.sources import recording_of
    from toothwise.edges.files import WRITERS
    from toothwise.errors import FileTrouble
    from toothwise.whole import whole_file

    file = Path(args.file)
    write = WRITERS.get(file.suffix.lower())
    if write is None:
        raise FileTrouble(f"{file} does not say its format", step=f"Let its name end in {' or '.join(WRITERS)}")
    if file.exists() and not args.replace:
        raise FileTrouble(f"{file} is there already", step="Choose another name, or say --replace")
    with recording_of(args.target, args.book) as (recording, _book), whole_file(file) as part:
        write(part, recording)
    print(f"{args.target} is written to {file}", file=sys.stderr)
    return 0
