"""The database under the book: opening, transactions, and errors in a person's words.

SQLite: write-ahead log, so that reading and writing do not wait for each other; each commit synced to disk.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from toothwise.book import migrate
from toothwise.errors import BookTrouble

BUSY_MS = 5000
"""How long a command waits for another program that is writing to the same book."""

_ADVICE = {
    sqlite3.SQLITE_BUSY: ("Another program is writing to it", "Close the other program, or try again"),
    sqlite3.SQLITE_LOCKED: ("Another program is writing to it", "Close the other program, or try again"),
    sqlite3.SQLITE_FULL: ("The disk is full", "Make room on the disk; what was committed is safe"),
    sqlite3.SQLITE_READONLY: (
        "The file or its folder is read-only",
        "Make it writable, or choose another with --book",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "The file or its folder cannot be opened",
        "Check the path and its permissions",
    ),
    sqlite3.SQLITE_IOERR: ("The disk refused to read or write", "Check the disk and the room on it"),
    sqlite3.SQLITE_CORRUPT: (
        "The file is damaged",
        "Keep it, restore a backup, and run 'toothwise book check'",
    ),
    sqlite3.SQLITE_NOTADB: (
        "The file is not a book, or its head is damaged",
        "Check the path, or restore a backup",
    ),
}


def trouble_of(error: SQLAlchemyError | OSError | sqlite3.Error, where: str) -> BookTrouble:
    """A database's error as one line: what, cause, step."""
    original = error.orig if isinstance(error, DBAPIError) else error
    code = getattr(original, "sqlite_errorcode", None)
    cause, step = _ADVICE.get(code & 0xFF, ("", "")) if code is not None else ("", "")
    if not cause:
        cause = " ".join(str(original if original is not None else error).split())[:300]
        step = step or "check the path or address of the book"
    return BookTrouble(f"The book {where} cannot be used", cause=cause, step=step)


class Store:
    """One open database. Safe to use from several threads: every transaction has its own connection."""

    def __init__(self, url: str | URL, *, read_only: bool = False) -> None:
        self.url = make_url(url)
        self.read_only = read_only
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        self.file = Path(self.url.database) if self.is_sqlite and self.url.database else None
        self.where = str(self.file) if self.file else self.url.render_as_string(hide_password=True)
        self.engine = self._make_engine()
        if self.is_sqlite:
            event.listen(self.engine, "connect", self._sqlite_connected)
            event.listen(self.engine, "begin", self._sqlite_begin)
        try:
            self._prepare()
        except BaseException:
            self.close()
            raise

    def _make_engine(self) -> Engine:
        if not self.is_sqlite:
            try:
                return create_engine(self.url, pool_pre_ping=True)
            except ModuleNotFoundError as error:
                raise BookTrouble(
                    f"The book {self.where} needs the Python package {error.name}",
                    cause="The driver for this kind of database is not installed",
                    step=f"Run: python -m pip install {error.name}",
                ) from None
        if self.file is None:
            raise BookTrouble("A book needs a file", step="Give a path with --book")
        if self.read_only:
            address = f"{self.file.absolute().as_uri()}?mode=ro"
            return create_engine("sqlite://", creator=lambda: _connect_read_only(address))
        return create_engine(self.url)

    @staticmethod
    def _sqlite_connected(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions are begun by `_sqlite_begin`, not by the driver's guess
        connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute("PRAGMA synchronous=FULL")  # a commit is on the disk, not only in the system's cache

    @staticmethod
    def _sqlite_begin(connection: Connection) -> None:
        # A writer takes the lock at once: one that began by reading could not wait for another writer.
        writes = connection.get_execution_options().get("book_writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    def _prepare(self) -> None:
        """Make the tables of a new book, bring an old one up to date, refuse a newer one."""
        try:
            if self.file and not self.read_only:
                self.file.parent.mkdir(parents=True, exist_ok=True)
                raw = sqlite3.connect(self.file, timeout=BUSY_MS / 1000)
                try:
                    raw.execute("PRAGMA journal_mode=WAL")
                finally:
                    raw.close()
            migrate.bring_up_to_date(self)
        except (SQLAlchemyError, sqlite3.Error, OSError) as error:
            raise trouble_of(error, self.where) from error

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A consistent view of the book; writers go on meanwhile."""
        try:
            with self.engine.connect() as connection, connection.begin():
                yield connection
        except SQLAlchemyError as error:
            raise trouble_of(error, self.where) from error

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is kept, or, when anything raises, none."""
        try:
            with self.engine.connect() as plain:
                connection = plain.execution_options(book_writes=True)
                with connection.begin():
                    yield connection
        except SQLAlchemyError as error:
            raise trouble_of(error, self.where) from error

    def close(self) -> None:
        self.engine.dispose()


def _connect_read_only(address: str) -> sqlite3.Connection:
    return sqlite3.connect(address, uri=True, timeout=BUSY_MS / 1000, check_same_thread=False)
