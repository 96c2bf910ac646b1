"""A job card's file and its job in the book: the same file is the same job."""

from __future__ import annotations

import platform
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from toothwise.book import Book


def file_key(path: str | Path) -> str:
    """What the book knows a card's file by: computer and whole path."""
    return f"{platform.node()}:{Path(path).resolve()}"


def job_number(book: Book, card: str | None) -> int | None:
    """The job of this card in the book, brought up to date or new; None without a card. The card was read before and
    is known to be sound."""
    if card is None:
        return None
    return book.jobs.keep(file_key(card), Path(card).read_text(encoding="utf-8"))
