"""A whole book from one database into another, of whatever kind: numbers, times and bytes stay what they are."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from sqlalchemy import Connection, Table, func, select, text
from sqlalchemy.exc import SQLAlchemyError

from toothwise.book import schema
from toothwise.book.advice import trouble_of
from toothwise.book.store import Store
from toothwise.errors import BookTrouble

_AT_ONCE = 64
"""Rows a statement: chunks can be large, and memory must stay flat."""


def copy_book(source: Store, target: Store, progress: Callable[[int, int], None] | None = None) -> None:
    """Everything the source holds at this moment, into an empty target, or nothing of it.

    `progress(done, of)` is called with the number of rows. Raises BookTrouble if the target has been used.
    """
    with source.reading() as old, target.writing() as new:
        target.alone(new)
        wanted = [table for table in schema.tables.sorted_tables if table is not schema.about]
        for table in wanted:
            if new.execute(select(table).limit(1)).first() is not None:
                raise BookTrouble(
                    f"The book {target.where} is in use",
                    cause="Only an empty one can take a whole book",
                    step="Name a new file, or a database made for it",
                )
        count = sum(old.execute(select(func.count()).select_from(table)).scalar_one() for table in wanted)
        done = 0
        for table in wanted:
            for some in _rows(source, old, table):
                new.execute(table.insert(), some)
                done += len(some)
                if progress:
                    progress(done, count)
            if not target.is_sqlite and "id" in table.c:
                _number_on(new, table)


def _rows(source: Store, connection: Connection, table: Table) -> Iterator[list[dict[str, Any]]]:
    """A table's rows, some at a time. What goes wrong here is the source's, not the target's."""
    try:
        rows = connection.execution_options(yield_per=_AT_ONCE).execute(select(table)).mappings()
        for some in rows.partitions():
            yield [dict(row) for row in some]
    except (SQLAlchemyError, UnicodeDecodeError) as error:
        raise trouble_of(error, source.where) from error


def _number_on(connection: Connection, table: Table) -> None:
    """Let the server number new rows after the highest that was copied; SQLite does so by itself."""
    connection.execute(
        text(
            f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), coalesce(max(id), 1), max(id) IS NOT NULL)"
            f" FROM {table.name}"
        )
    )
