"""`toothwise book`: what has been recorded."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from toothwise.commands import parsing

if TYPE_CHECKING:
    from toothwise.book import Book, Entry

_ABOUT = """
The log book: every recording with its edges, findings, measures and notes, in one file.
"""

_EXAMPLES = """
toothwise book list                  newest first
toothwise book list stall            those whose notes, job or source mention "stall"
toothwise book show 7                one recording: when, what, its findings
toothwise book compare 3 7           before and after
toothwise book note 7 "new sensor"   add a line
toothwise book delete 3 --yes        for good
toothwise book backup copy.sqlite    while it is in use, too
toothwise book check                 is everything readable?
toothwise book copy postgresql://bench@server/book    one book for several benches
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "book", run, "look into the log book", _ABOUT, _EXAMPLES)
    actions = parser.add_subparsers(title="what to do", metavar="ACTION", required=True)

    def action(name: str, brief: str, do: Any, *, machine: bool = False) -> argparse.ArgumentParser:
        one: argparse.ArgumentParser = actions.add_parser(
            name, help=brief, description=f"{brief[0].upper()}{brief[1:]}."
        )
        parsing.add_book(one)
        if machine:
            parsing.add_json(one)
        one.set_defaults(do=do)
        return one

    listing = action("list", "list recordings, newest first", _list, machine=True)
    listing.add_argument("search", nargs="?", default="", metavar="TEXT", help="only those that mention this")
    listing.add_argument("--most", type=int, default=50, metavar="N", help="at most so many (default: 50)")
    for name, brief, do in (
        ("show", "show one recording", _show),
        ("note", "add a line to a recording", _note),
        ("delete", "delete a recording for good", _delete),
    ):
        one = action(name, brief, do, machine=name == "show")
        one.add_argument("number", type=int, metavar="NUMBER", help="the recording's number")
        if name == "note":
            one.add_argument("text", metavar="TEXT", help="the line")
        if name == "delete":
            one.add_argument("--yes", action="store_true", help="do not ask")
    pair = action("compare", "compare the findings of two recordings", _compare, machine=True)
    pair.add_argument("first", type=int, metavar="A")
    pair.add_argument("second", type=int, metavar="B")
    backup = action("backup", "copy the book to a new file, also while it is in use", _backup)
    backup.add_argument("target", metavar="FILE", help="the new file; never overwritten")
    copy = action("copy", "copy everything into another, empty book: from a file to a server, or back", _copy)
    copy.add_argument("target", metavar="BOOK", help="the other book: a new file or a database address")
    action("send", "send the bench results that wait on this computer for the book", _send)
    action("check", "check that everything in the book can be read", _check)
    action("path", "print where the book is", _path)


def run(args: argparse.Namespace) -> int:
    from toothwise.book import Book

    with Book.open(args.book) as book:
        code: int = args.do(args, book)
    return code


def _list(args: argparse.Namespace, book: Book) -> int:
    entries = book.recordings(args.search, limit=args.most)
    if args.json:
        print(json.dumps([entry.as_json() for entry in entries]))
        return 0
    if not entries:
        print("The book has no such recording." if args.search else "The book is empty: toothwise watch fills it.")
        return 0
    from toothwise.show.table import table

    head = ["no.", "started (UTC)", "state", "length", "edges", "from"]
    rows = [[str(e.id), _when(e.started_utc), e.state, _span(e), f"{e.edges:,}", _origin(e)] for e in entries]
    print("\n".join(table([head, *rows], right={0, 3, 4})))
    return 0


def _show(args: argparse.Namespace, book: Book) -> int:
    recording = book.recording(args.number)
    if args.json:
        whole = {
            **recording.entry.as_json(),
            "notes": recording.notes(),
            "marks": recording.marks(),
            "result": recording.result,
        }
        print(json.dumps(whole, allow_nan=False))
        return 0
    from toothwise.show import words
    from toothwise.show.screen import Look
    from toothwise.show.summary import summary

    entry = recording.entry
    print(f"recording {_line(entry)}; {entry.state}")
    for when, text in recording.notes():
        print(f"note      {_when(when)}  {words.clean(text)}")
    for tick, place in recording.marks():
        print(f"mark      {words.clock_time(recording.clock.seconds(tick))}  {words.clean(place)}")
    if recording.result is None:
        print(f"Not examined yet: toothwise examine {entry.id}")
    else:
        print("\n".join(summary(recording.result, Look(sys.stdout))))
    return 0


def _note(args: argparse.Namespace, book: Book) -> int:
    book.add_note(args.number, args.text)
    return 0


def _delete(args: argparse.Namespace, book: Book) -> int:
    entry = book.recording(args.number).entry
    if not args.yes:
        if not sys.stdin.isatty():
            print(f"Recording {entry.id} stays: say --yes to delete it for good.", file=sys.stderr)
            return 2
        print(f"recording {_line(entry)}")
        if input("Delete it for good? Type its number: ").strip() != str(entry.id):
            print("It stays.")
            return 0
    book.delete(args.number)
    print(f"Recording {entry.id} is deleted.")
    return 0


def _compare(args: argparse.Namespace, book: Book) -> int:
    both = book.compare(args.first, args.second)
    if args.json:
        print(json.dumps(both, allow_nan=False))
        return 0
    from toothwise.show.compare import comparison

    print("\n".join(comparison(both)))
    return 0


def _backup(args: argparse.Namespace, book: Book) -> int:
    book.backup(args.target)
    print(f"The book is copied to {args.target}.")
    return 0


def _copy(args: argparse.Namespace, book: Book) -> int:
    from toothwise.book import Book
    from toothwise.show.progress import Progress

    with Progress() as progress, Book.open(args.target) as target:
        book.copy_to(target, lambda done, of: progress.at(f"copying: {done} of {of} rows"))
        where = target.where
    print(f"The book is copied to {where}.")
    return 0


def _send(args: argparse.Namespace, book: Book) -> int:
    from toothwise.book import catch_up
    from toothwise.show import words

    print(f"{words.count(catch_up(args.book), 'result')} sent.")
    return 0


def _check(args: argparse.Namespace, book: Book) -> int:
    from toothwise.errors import BookTrouble
    from toothwise.show import words
    from toothwise.show.progress import Progress

    with Progress() as progress:
        faults = list(book.faults(lambda done, of: progress.at(f"checking: {done} of {of} recordings")))
    for fault in faults:
        print(words.clean(fault))
    if faults:
        raise BookTrouble(f"The book {book.where} has {words.count(len(faults), 'fault')}", step="Restore a backup")
    print("Everything in the book can be read.")
    return 0


def _path(args: argparse.Namespace, book: Book) -> int:
    print(book.where)
    return 0


def _line(entry: Entry) -> str:
    return f"{entry.id}: {_when(entry.started_utc)} UTC, {_span(entry)}, from {_origin(entry)}"


def _when(utc: str) -> str:
    return utc[:19].replace("T", " ")


def _span(entry: Entry) -> str:
    from toothwise.show import words

    return words.span(entry.span_s)


def _origin(entry: Entry) -> str:
    from toothwise.show import words

    source = entry.source
    return words.clean(source.get("rig") or source.get("file") or source.get("kind") or "unknown")
