"""The database under the book: opening, transactions, and errors in a person's words.

SQLite: write-ahead log, so that reading and writing do not wait for each other; each commit synced to disk.
PostgreSQL: the same promises: a reader sees one moment of the book, a commit is on the server's disk.
"""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import SQLAlchemyError

from toothwise.book import migrate
from toothwise.book.advice import bad_address, no_driver, only_read, trouble_of
from toothwise.errors import BookTrouble

# They say on their own, across the live screen, what is told in a person's words by `trouble_of`.
for _talker in ("sqlalchemy", "psycopg"):
    logging.getLogger(_talker).addHandler(logging.NullHandler())

BUSY_MS = 5000
"""How long a command waits for another program that is writing to the same book."""

_TABLES_LOCK = 0x746F6F7468  # "tooth": any number that no other program's lock on this database is likely to have

_SERVER_SETTINGS = {
    "connect_timeout": 5,  # s, for a server that does not answer
    # A cable pulled in the middle of a transaction is noticed within these, not after a quarter of an hour.
    "tcp_user_timeout": 15_000,  # ms
    "keepalives_idle": 10,  # s
    "keepalives_interval": 5,  # s
    "keepalives_count": 2,
    "application_name": "toothwise",
}


class Store:
    """One open database. Safe to use from several threads: every transaction has its own connection."""

    def __init__(self, url: str | URL, *, read_only: bool = False) -> None:
        self.url = _understood(url)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        self.file = Path(self.url.database) if self.is_sqlite and self.url.database else None
        self.read_only = read_only or (self.file is not None and _only_readable(self.file))
        self.where = str(self.file) if self.file else shown(self.url)
        self._place: tuple[int, int] | None = None
        self.engine = self._make_engine()
        try:
            self._prepare()
        except BaseException:
            self.close()
            raise

    def _make_engine(self) -> Engine:
        if not self.is_sqlite:
            return self._make_server_engine()
        if self.file is None:
            raise BookTrouble("A book needs a file", step="Give a path with --book")
        engine = create_engine("sqlite://", creator=self.file_reader) if self.read_only else create_engine(self.url)
        event.listen(engine, "connect", self._sqlite_connected)
        event.listen(engine, "begin", self._sqlite_begin)
        return engine

    def file_reader(self) -> sqlite3.Connection:
        """The book's own file, for reading past SQLAlchemy. Only for a book in a file."""
        assert self.file is not None
        address = f"{self.file.absolute().as_uri()}?mode=ro"
        if not os.access(self.file.parent, os.W_OK) and not self.file.with_name(self.file.name + "-wal").exists():
            address += "&immutable=1"  # else it would ask for a file beside it
        return sqlite3.connect(address, uri=True, timeout=BUSY_MS / 1000, check_same_thread=False)

    def _make_server_engine(self) -> Engine:
        try:
            import psycopg  # noqa: F401 - SQLAlchemy imports it too, and says less when its library is missing
        except ImportError:
            raise no_driver(self.where) from None
        settings = {name: value for name, value in _SERVER_SETTINGS.items() if name not in self.url.query}
        # A connection that a restarted server has forgotten is replaced before it is used.
        engine = create_engine(self.url, pool_pre_ping=True, connect_args=settings)
        event.listen(engine, "connect", self._server_connected)
        return engine

    @staticmethod
    def _server_connected(connection: Any, _record: Any) -> None:
        with connection.cursor() as cursor:
            cursor.execute(f"SET lock_timeout = {BUSY_MS}")
            # A commit is on the server's disk, also where the server is set to be quicker than that.
            cursor.execute(
                "SELECT set_config('synchronous_commit', 'on', false)"
                " WHERE current_setting('synchronous_commit') IN ('off', 'local')"
            )
        connection.commit()

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
                with closing(sqlite3.connect(self.file, timeout=BUSY_MS / 1000)) as raw:
                    raw.execute("PRAGMA journal_mode=WAL")
                self._place = _place(self.file)
            migrate.bring_up_to_date(self)
        except (SQLAlchemyError, sqlite3.Error, OSError, UnicodeDecodeError) as error:
            raise trouble_of(error, self.where) from error

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A consistent view of the book; writers go on meanwhile."""
        with self._transaction(writes=False) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is kept, or, when anything raises, none.

        Only where the server is lost at the very commit can nobody tell which: BookTrouble is raised, and all may
        be kept all the same. Whoever tries again must look first.
        """
        with self._transaction(writes=True) as connection:
            yield connection

    @contextmanager
    def _transaction(self, *, writes: bool) -> Iterator[Connection]:
        options: dict[str, Any] = {"book_writes": writes}
        if not self.is_sqlite:
            options["isolation_level"] = "READ COMMITTED" if writes else "REPEATABLE READ"
            if writes and self.read_only:
                raise only_read(self.where)
        elif writes:
            self._check_place()
        try:
            with self.engine.connect() as plain:
                connection = plain.execution_options(**options)
                with connection.begin():
                    yield connection
        except (SQLAlchemyError, UnicodeDecodeError) as error:
            raise trouble_of(error, self.where) from error

    def _check_place(self) -> None:
        """An open file that was moved or deleted takes all that is written to it, and nobody finds it again."""
        if self._place is not None and self._place != _place(self.file):
            raise BookTrouble(
                f"The book {self.where} is not where it was",
                cause="It was moved, deleted or replaced while in use",
                step="Put it back, or stop and start again",
            )

    def alone(self, connection: Connection) -> None:
        """Within a writing transaction: wait until no other program changes the tables."""
        if not self.is_sqlite:  # there the lock is had already
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _TABLES_LOCK})

    def close(self) -> None:
        self.engine.dispose()


def _place(file: Path | None) -> tuple[int, int] | None:
    """Which file of which disk it is; None where there is none."""
    try:
        found = file.stat() if file else None
    except OSError:
        return None
    return (found.st_dev, found.st_ino) if found else None


def _only_readable(file: Path) -> bool:
    """A book on a medium, or in a folder, that this user may not write to can still be read."""
    return file.is_file() and not (os.access(file, os.W_OK) and os.access(file.parent, os.W_OK))


def address_of(where: str | Path) -> URL:
    """The database address of a path, or of an address as a user types it. Raises BookTrouble."""
    text = str(where)
    return _understood(text) if "://" in text else URL.create("sqlite", database=text)


def shown(url: URL) -> str:
    """The address as a user types it, without a password."""
    query = {name: value for name, value in url.query.items() if "password" not in name}
    return url.set(drivername=url.get_backend_name(), query=query).render_as_string(hide_password=True)


def _understood(url: str | URL) -> URL:
    """The address with the driver the book uses. Raises BookTrouble for one that cannot be."""
    try:
        made = make_url(url)
    except (SQLAlchemyError, ValueError):
        raise bad_address(str(url)) from None
    if made.drivername in ("postgresql", "postgres"):
        made = made.set(drivername="postgresql+psycopg")
    if made.drivername not in ("sqlite", "postgresql+psycopg"):
        raise bad_address(made.drivername + "://")
    return made
