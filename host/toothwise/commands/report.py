"""`toothwise report`: what was found, as a page to print and hand over."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from toothwise.commands import parsing

_ABOUT = """
Write a report: one HTML file with all pictures inside, for the screen and for paper (A4 or Letter). In plain words for
the car's owner; then complaint, findings with what speaks for and against each cause, pictures, what was not tested,
and how it was measured.

WHAT is a recording or a wiggle test, by its number in the book or its file; or a job, by its card (JOB.toml) or as
job:N: then every recording of that job is in it, the newest first, and compared with the one before.
"""

_EXAMPLES = """
toothwise report 7                           recording 7 of the book, into recording-7.html
toothwise report van.toml -o van.html        all that was recorded with that job card
toothwise report edges.csv --job van.toml    a file, and the card it belongs to
toothwise report edges.csv --marks marks.csv a wiggle test in files
toothwise report 7 --json > 7.json           the page, and beside it the object it is made from
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "report", run, "write a report to print and hand over", _ABOUT, _EXAMPLES)
    parser.add_argument("what", metavar="WHAT", help="a recording's number or file, a job card, or job:N")
    parser.add_argument("-o", "--output", metavar="FILE", help="the file to write (default: named after WHAT, here)")
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")
    parsing.add_wheel(parser)
    parsing.add_job(parser)
    parser.add_argument("--marks", metavar="MARKS.csv", help="of a file: time_s,place, when the hands were where")
    parser.add_argument("--json", action="store_true", help="print the one object that the report is made from, too")
    parsing.add_book(parser)


def run(args: argparse.Namespace) -> int:
    from toothwise.commands.report_matter import matter
    from toothwise.errors import FileTrouble
    from toothwise.show.progress import Progress
    from toothwise.whole import write_whole

    file = Path(args.output or default_name(args.what))
    if not file.parent.is_dir():
        raise FileTrouble(f"{file} cannot be written", cause=f"There is no folder {file.parent}", step="Make it first")
    if file.exists() and not args.replace:
        raise FileTrouble(f"{file} is there already", step="Choose another name with -o, or say --replace")
    with Progress() as progress:
        told = matter(args, progress)
        progress.at("drawing")
        from toothwise.report import page

        text = page(told)
    write_whole(file, text)
    if args.json:
        print(json.dumps({**told, "file": str(file)}, allow_nan=False))
    else:
        print(f"The report is in {file}.")
    return int(any(found(recording) for recording in told["recordings"]))


def default_name(what: str) -> str:
    """recording-7.html, van.html, job-3.html."""
    if what.startswith("job:"):
        return f"job-{what.removeprefix('job:')}.html"
    from toothwise.commands.sources import book_number

    return f"recording-{what}.html" if book_number(what) is not None else f"{Path(what).stem}.html"


def found(recording: dict[str, Any]) -> bool:
    """Whether a recording has a finding that speaks of a fault."""
    from toothwise.records import FAULT_KINDS

    events = (recording["result"] or {"events": []})["events"]
    wiggle = recording["wiggle"]
    return any(event["kind"] in FAULT_KINDS for event in events) or bool(wiggle and wiggle["events"])
