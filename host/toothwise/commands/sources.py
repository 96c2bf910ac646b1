"""What a command works on: a wheel by name, and a recording by its file or its number in the book."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from toothwise.book import Book
    from toothwise.edges.signal import Recording
    from toothwise.wheel.pattern import Wheel


def wheel_named(name: str | None, otherwise: str = "") -> Wheel | None:
    """The wheel of that name; for "auto" and no name the other one's, and without that None.

    Raises FileTrouble for a name that is not known.
    """
    if name is None or name.strip() == "auto":
        name = otherwise
    if not name:
        return None
    from toothwise.wheel import catalogue

    return catalogue.wheel(name)


def whole_number(text: str) -> int | None:
    """Of digits alone, and not more of them than a database can count; else None."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= 18 else None


def book_number(target: str) -> int | None:
    """The recording's number in the book, where the target is one and no file has that name."""
    return None if Path(target).exists() else whole_number(target)


@contextmanager
def recording_of(target: str, book_path: str | None, **reading: Any) -> Iterator[tuple[Recording, Book | None]]:
    """The recording, and its book if it comes from there. `reading`: how a file is read, see `open_recording`."""
    number = book_number(target)
    if number is not None:
        from toothwise.book import Book

        with Book.open(book_path) as book:
            yield book.recording(number), book
        return
    from toothwise.edges.files import open_recording

    yield open_recording(target, **reading), None
