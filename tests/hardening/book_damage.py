"""Books damaged at random: whatever is asked of them, the answer is a result or one line, never a defect.

    python -m tests.hardening.book_damage [--books 2000] [--seed 1]

Each book is cut off somewhere, has bytes changed, a stretch zeroed, or a stretch made random. Ends with 1 if anything
but BookTrouble came of it, and prints where.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path

from toothwise.book import Book
from toothwise.errors import BookTrouble

from tests.book.made_results import made
from tests.book.test_migrate import old_book


def sound(folder: Path) -> bytes:
    """A book with something in every table, as one file."""
    path = folder / "sound.sqlite"
    old_book(str(path), 1)
    with Book.open(path) as book:
        for n in range(30):
            book.bench.save_result(made(n, verdict="fail"))
        book.backup(folder / "whole.sqlite")
    return (folder / "whole.sqlite").read_bytes()


def damaged(data: bytes, chance: random.Random) -> bytes:
    """The book with one damage."""
    at = chance.randrange(len(data))
    kind = chance.randrange(4)
    if kind == 0:
        return data[:at]
    if kind == 1:
        changed = bytearray(data)
        for _ in range(chance.randrange(1, 20)):
            changed[chance.randrange(len(data))] = chance.randrange(256)
        return bytes(changed)
    length = min(len(data) - at, chance.randrange(1, 5000 if kind == 2 else 300))
    return data[:at] + (bytes(length) if kind == 2 else chance.randbytes(length)) + data[at + length :]


def questions(book: Book, folder: Path) -> Iterator[Callable[[], object]]:
    """All that can be asked of a book, and some things to be done to it."""
    yield lambda: list(book.faults())
    yield book.recordings
    yield lambda: book.recordings("stall")
    yield lambda: book.recording(7).result
    yield lambda: list(book.recording(7).batches())
    yield lambda: book.recording(7).marks()
    yield lambda: book.recording(7).events()
    yield lambda: book.recording(7).notes()
    yield lambda: book.jobs.find("x")
    yield lambda: book.jobs.readings(3)
    yield lambda: book.jobs.notes(3)
    yield lambda: book.setting("beep")
    yield book.wheels
    yield lambda: book.wheel("bench master")
    yield book.bench.lots
    yield book.bench.results
    yield lambda: book.bench.lot_results("L1", last_only=True)
    yield lambda: book.bench.measure_columns(lot="L1")
    yield lambda: book.bench.save_result(made(99))
    yield lambda: book.add_note(7, "x")
    yield lambda: book.backup(folder / "backup.sqlite")
    yield lambda: book.delete(7)


def campaign(folder: Path, books: int, seed: int) -> tuple[list[str], int, int]:
    """Where defects came up, how many questions were refused, and how many answered."""
    chance = random.Random(seed)
    data = sound(folder)
    defects: set[str] = set()
    refused = answered = 0

    def ask(question: Callable[[], object]) -> None:
        nonlocal refused, answered
        try:
            question()
            answered += 1
        except BookTrouble:
            refused += 1
        except Exception as error:
            places = traceback.extract_tb(error.__traceback__)[-4:]
            where = " < ".join(f"{Path(place.filename).name}:{place.lineno}" for place in reversed(places))
            defects.add(f"{type(error).__name__}: {error}, at {where}")

    for _ in range(books):
        for left in folder.glob("b*"):
            left.unlink()
        path = folder / "b.sqlite"
        path.write_bytes(damaged(data, chance))

        def of_one(path: Path = path) -> None:
            with Book.open(path) as book:
                for question in questions(book, folder):
                    ask(question)

        ask(of_one)
    return sorted(defects), refused, answered


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--books", type=int, default=2000)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        defects, refused, answered = campaign(Path(folder), given.books, given.seed)
    print(f"{given.books} damaged books: {answered} questions answered, {refused} refused, {len(defects)} defects")
    print("\n".join(defects))
    return int(bool(defects))


if __name__ == "__main__":
    sys.exit(main())
