"""A job card's file and its job in the book: the same file is the same job."""

from __future__ import annotations

import argparse
import platform
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from toothwise.book import Book
    from toothwise.wheel.pattern import Wheel


def file_key(path: str | Path) -> str:
    """What the book knows a card's file by: computer and whole path."""
    return f"{platform.node()}:{Path(path).resolve()}"


def wheel_of(args: argparse.Namespace) -> Wheel | None:
    """The wheel that was asked for, else the card's, else None. Raises FileTrouble for either."""
    from toothwise.commands.sources import wheel_named
    from toothwise.examine.explain import job_of

    return wheel_named(args.wheel, job_of(args.job).sensor.wheel)


def job_number(book: Book, card: str | None) -> int | None:
    """The job of this card in the book, brought up to date or new; None without a card. The card was read before and
    is known to be sound."""
    if card is None:
        return None
    return book.jobs.keep(file_key(card), Path(card).read_text(encoding="utf-8"))
