"""`toothwise book delete`: says what goes and what stays, asks, and deletes for good."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from toothwise.commands import book_show

if TYPE_CHECKING:
    from toothwise.book import Book


def delete(args: argparse.Namespace, book: Book) -> int:
    kind, number = book_show.number_of(args.what)
    what, goes = (_job if kind == "job" else _recording)(book, number)
    if not args.json:
        print(what, file=sys.stderr if not args.yes else sys.stdout)
    if not args.yes and not _asked(kind, number, args.json):
        return 2 if not sys.stdin.isatty() else 0
    if kind == "job":
        book.jobs.delete(number)
    else:
        book.delete(number)
    if args.json:
        print(json.dumps({"deleted": {kind: number}, "went": goes}))
    else:
        print(f"{kind.capitalize()} {number} is deleted.")
    return 0


def _asked(kind: str, number: int, as_json: bool) -> bool:
    """Whether the user wants it. Where nobody can be asked, the answer is no."""
    if as_json or not sys.stdin.isatty():
        print(f"{kind.capitalize()} {number} stays: say --yes to delete it for good.", file=sys.stderr)
        return False
    print(f"Delete {kind} {number} for good? Type its number: ", end="", file=sys.stderr, flush=True)
    if sys.stdin.readline().strip() == str(number):
        return True
    print("It stays.", file=sys.stderr)
    return False


def _recording(book: Book, number: int) -> tuple[str, dict[str, Any]]:
    from toothwise.show import words

    entry, goes = book.recording(number).entry, book.contents(number)
    parts = [
        f"{words.count(goes['edges'], 'edge')} ({goes['bytes'] / 1e6:.2f} MB)",
        *(words.count(goes[name], name.removesuffix("s")) for name in ("findings", "measures", "marks", "notes")),
    ]
    lines = [f"recording {book_show.line(entry)}", f"With it go {', '.join(parts)}."]
    if entry.job_id is not None:
        lines.append(f"Its job {entry.job_id} stays: {words.clean(book.jobs.get(entry.job_id).title)}.")
    return "\n".join(lines), goes


def _job(book: Book, number: int) -> tuple[str, dict[str, Any]]:
    from toothwise.show import words

    job, counts = book.jobs.get(number), book.jobs.contents(number)
    stay = counts.pop("recordings")
    parts = [words.count(counts[name], name.removesuffix("s")) for name in ("readings", "notes")]
    lines = [f"job {number}: {words.clean(job.title)}", f"With it go its card, {' and '.join(parts)}."]
    lines.append(f"{words.count(stay, 'recording')} of it {'stays' if stay == 1 else 'stay'}, without a job.")
    return "\n".join(lines), counts
