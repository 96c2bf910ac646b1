"""`toothwise book backup`, `copy`, `send`, `check` and `path`: caring for the book."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from toothwise.book import Book


def backup(args: argparse.Namespace, book: Book) -> int:
    from toothwise.show.progress import Progress

    with Progress() as progress:
        book.backup(args.target, lambda done, of: progress.at(f"copying: {done} of {of} rows"))
    return _say(args, f"The book is copied to {args.target}.", {"book": book.where, "copy": args.target})


def copy(args: argparse.Namespace, book: Book) -> int:
    from toothwise.book import Book
    from toothwise.show.progress import Progress

    with Progress() as progress, Book.open(args.target) as target:
        book.copy_to(target, lambda done, of: progress.at(f"copying: {done} of {of} rows"))
        where = target.where
    return _say(args, f"The book is copied to {where}.", {"book": book.where, "copy": where})


def send(args: argparse.Namespace, book: Book) -> int:
    from toothwise.book import catch_up
    from toothwise.show import words

    sent = catch_up(book)
    return _say(args, f"{words.count(sent, 'result')} sent.", {"book": book.where, "sent": sent})


def check(args: argparse.Namespace, book: Book) -> int:
    from toothwise.errors import BookTrouble
    from toothwise.show import words
    from toothwise.show.progress import Progress

    with Progress() as progress:
        faults = list(book.faults(lambda done, of: progress.at(f"checking: {done} of {of} recordings")))
    if args.json:
        print(json.dumps({"book": book.where, "faults": faults}))
    else:
        print("\n".join(map(words.clean, faults)) or "Everything in the book can be read.")
    if faults:
        raise BookTrouble(f"The book {book.where} has {words.count(len(faults), 'fault')}", step="Restore a backup")
    return 0


def path(args: argparse.Namespace, book: Book) -> int:
    return _say(args, book.where, {"book": book.where})


def _say(args: argparse.Namespace, text: str, told: dict[str, object]) -> int:
    print(json.dumps(told) if args.json else text)
    return 0
