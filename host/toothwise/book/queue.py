"""Bench results on their way to a book that may be out of reach: none is lost, each arrives once.

    with ResultQueue("postgresql://bench@server/book") as queue:
        queue.keep(result)         # on a disk when it returns, whether the server answers or not
        queue.waiting              # how many wait here for the book
        queue.trouble              # None, or the BookTrouble that keeps them waiting
        queue.flush(5.0)           # wait for them to go; False if some still wait

A result for a book on a server is first kept in a small book of this computer, which one thread empties towards the
server, oldest first, as soon and as long as it answers. A result for a book in a file goes there at once, and waits
in the same way only where the file cannot be written. A kill at any moment leaves each result in one of the two, or
in both: its uuid makes them one again. What waited is sent by the next queue for the same book on this computer.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

from toothwise.book.book import Book, default_path
from toothwise.book.store import address_of, shown
from toothwise.errors import BookTrouble

RETRY_EVERY_S = 2.0
CLOSE_S = 10.0
_AT_ONCE = 100


def queue_path(where: str | Path) -> Path:
    """Where results wait on this computer for the book at a path or address."""
    address = address_of(where if "://" in str(where) else Path(where).absolute())
    name = hashlib.sha256(shown(address).encode()).hexdigest()[:16]
    return default_path().parent / f"waiting-{name}.sqlite"


class ResultQueue:
    """Takes bench results for one book. `keep` may be called from any thread.

    where: the book's path or address; None: this user's own. queue: where results wait; by default `queue_path`.
    Making one does not need the book; it raises BookTrouble where the address cannot be understood, or nothing can be
    written on this computer.
    """

    def __init__(self, where: str | Path | None = None, queue: Path | None = None) -> None:
        self._book_at = default_path() if where is None else where
        self._direct = address_of(self._book_at).get_backend_name() == "sqlite"
        self._local = Book.open(queue or queue_path(self._book_at))
        self._book: Book | None = None
        self._opening = threading.Lock()
        self._wake = threading.Condition()
        self._new = True  # also what an earlier run left
        self._stopping = False
        self.trouble: BookTrouble | None = None
        self._thread = threading.Thread(target=self._run, name="queue", daemon=True)
        self._thread.start()

    def keep(self, result: Mapping[str, Any]) -> None:
        """Take a result (`records.SensorResult.as_dict`); it is on a disk when this returns.

        Raises BookTrouble where it is no result, or nothing can be written on this computer.
        """
        if self._direct:
            try:
                self._reached().bench.save_result(result)
                return
            except BookTrouble as trouble:
                self.trouble = trouble
        self._local.bench.save_result(result)
        with self._wake:
            self._new = True
            self._wake.notify_all()

    @property
    def waiting(self) -> int:
        """How many results wait here."""
        return self._local.bench.count()

    def waiting_results(self, lot: str) -> list[dict[str, Any]]:
        """A lot's results that are not in the book yet, as they were given."""
        return self._local.bench.lot_results(lot)

    def flush(self, timeout_s: float) -> bool:
        """Wait until no result waits here any more; False if some do after that time."""
        with self._wake:
            self._new = True
            self._wake.notify_all()
            return self._wake.wait_for(lambda: not self.waiting, timeout_s)

    def close(self) -> None:
        """Stop sending; what waits stays for the next time."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        self._thread.join(CLOSE_S)
        if self._thread.is_alive():  # a server that stands still: it ends with the program
            return
        self._local.close()
        if self._book:
            self._book.close()

    def __enter__(self) -> ResultQueue:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _reached(self) -> Book:
        with self._opening:
            if self._book is None:
                self._book = Book.open(self._book_at)
            return self._book

    def _run(self) -> None:
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._new or self._stopping, RETRY_EVERY_S)
                if self._stopping:
                    return
                self._new = False
            try:
                self._send()
                self.trouble = None
            except BookTrouble as trouble:
                self.trouble = trouble
            except Exception as error:  # a defect must not end the thread silently
                self.trouble = BookTrouble(
                    f"Results wait for the book {shown(address_of(self._book_at))}",
                    cause=f"{type(error).__name__}: {error}",
                    step="They are safe on this computer; start again to send them",
                )

    def _send(self) -> None:
        """All that waits. Raises BookTrouble at the first that cannot be sent."""
        if self.waiting:
            _move(self._local, self._reached(), lambda: self._stopping)
        with self._wake:
            self._wake.notify_all()


def catch_up(book: Book, queue: Path | None = None) -> int:
    """Send what waits on this computer for this book; how many there were. Raises BookTrouble."""
    waiting_at = queue or queue_path(book.where)
    if not waiting_at.exists():
        return 0
    with Book.open(waiting_at) as local:
        return _move(local, book)


def _move(local: Book, book: Book, stopping: Callable[[], bool] = lambda: False) -> int:
    """Results from one book to another, oldest first, each safe in the other before it goes here; how many."""
    moved = 0
    while some := local.bench.oldest(_AT_ONCE):
        for result in some:
            if stopping():
                return moved
            book.bench.save_result(result)
            local.bench.forget(result["uuid"])
            moved += 1
    return moved
