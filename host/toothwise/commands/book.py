"""`toothwise book`: what has been recorded."""

from __future__ import annotations

import argparse

from toothwise.commands import book_care, book_delete, book_show, parsing

_ABOUT = """
The log book: every recording with its edges, findings, measures and notes, in one file.
"""

_EXAMPLES = """
toothwise book list                  newest first
toothwise book list stall            those whose notes, job or source mention "stall"
toothwise book jobs                  jobs, with how much was recorded for each
toothwise book show 7                one recording: when, what, its findings
toothwise book show job:2            one job: its card, notes and recordings
toothwise book compare 3 7           before and after, side by side
toothwise book note 7 "new sensor"   add a line
toothwise book delete 3              says what goes, and asks
toothwise book backup copy.sqlite    while it is in use, too
toothwise book check                 is everything readable?
toothwise book copy postgresql://bench@server/book    one book for several benches
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "book", run, "look into the log book", _ABOUT, _EXAMPLES)
    action = parsing.actions(parser, parsing.add_book, parsing.add_json)
    for name, brief, do in (
        ("list", "list recordings, newest first", book_show.recordings),
        ("jobs", "list jobs, newest first", book_show.jobs),
    ):
        one = action(name, brief, do)
        one.add_argument("search", nargs="?", default="", metavar="TEXT", help="only those that mention this")
        parsing.add_most(one)
    what = "a recording's number, or job:N"
    action("show", "show one recording, or one job", book_show.show).add_argument("what", metavar="WHAT", help=what)
    note = action("note", "add a line to a recording, or to a job", book_show.note)
    note.add_argument("what", metavar="WHAT", help=what)
    note.add_argument("text", metavar="TEXT", help="the line")
    delete = action("delete", "say what would go, ask, and delete it for good", book_delete.delete)
    delete.add_argument("what", metavar="WHAT", help=what)
    delete.add_argument("--yes", action="store_true", help="do not ask")
    pair = action("compare", "compare the findings of two recordings", book_show.compare)
    pair.add_argument("first", type=parsing.recording, metavar="A")
    pair.add_argument("second", type=parsing.recording, metavar="B")
    backup = action("backup", "copy the book to a new file, also while it is in use", book_care.backup)
    backup.add_argument("target", metavar="FILE", help="the new file; never overwritten")
    copy = action("copy", "copy everything into another, empty book: from a file to a server, or back", book_care.copy)
    copy.add_argument("target", metavar="BOOK", help="the other book: a new file or a database address")
    action("send", "send the bench results that wait on this computer for the book", book_care.send)
    action("check", "check that everything in the book can be read", book_care.check)
    action("path", "print where the book is", book_care.path)


def run(args: argparse.Namespace) -> int:
    from toothwise.book import Book

    with Book.open(args.book) as book:
        code: int = args.do(args, book)
    return code
