"""Old books brought up to date, one step a version; newer ones refused.

A step changes the tables of version n into those of version n+1 with plain SQL that both databases know, and
is never edited once released. All steps run in one transaction: a book is either updated or left as it was.
Before the first step a SQLite book is copied beside itself, to `NAME.schema-N.bak`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, inspect, select

from toothwise.book import schema
from toothwise.errors import BookTrouble

if TYPE_CHECKING:
    from toothwise.book.store import Store

Step = Callable[[Connection], None]


def _jobs_have_a_file(connection: Connection) -> None:
    """1 to 2: a job is known again by its file."""
    connection.exec_driver_sql("ALTER TABLE jobs ADD COLUMN file TEXT")
    connection.exec_driver_sql("CREATE UNIQUE INDEX jobs_by_file ON jobs (file)")


def _bench_results(connection: Connection) -> None:
    """2 to 3: results of the bench."""
    numbered = "INTEGER" if connection.dialect.name == "sqlite" else "BIGSERIAL"
    number = "INTEGER" if connection.dialect.name == "sqlite" else "BIGINT"
    ending = "WITHOUT ROWID" if connection.dialect.name == "sqlite" else ""
    for statement in (
        f"""CREATE TABLE bench_results (
            id {numbered} NOT NULL, uuid TEXT NOT NULL, lot TEXT NOT NULL, serial TEXT NOT NULL,
            sensor_type TEXT NOT NULL, bench TEXT NOT NULL, started_utc TEXT NOT NULL, ended_utc TEXT NOT NULL,
            kept_utc TEXT NOT NULL, verdict TEXT NOT NULL, reasons TEXT NOT NULL, more TEXT NOT NULL,
            PRIMARY KEY (id), UNIQUE (uuid))""",
        "CREATE INDEX bench_results_of_lot ON bench_results (lot, serial, ended_utc, verdict)",
        "CREATE INDEX bench_results_of_type ON bench_results (sensor_type, ended_utc)",
        "CREATE INDEX bench_results_by_time ON bench_results (ended_utc)",
        "CREATE INDEX bench_results_by_serial ON bench_results (serial)",
        f"""CREATE TABLE bench_measures (
            result_id {number} NOT NULL, seq INTEGER NOT NULL, name TEXT NOT NULL, stage TEXT NOT NULL,
            value FLOAT(53), unit TEXT NOT NULL, uncertainty FLOAT(53), low FLOAT(53), high FLOAT(53),
            verdict TEXT NOT NULL, more TEXT NOT NULL, PRIMARY KEY (result_id, seq),
            FOREIGN KEY(result_id) REFERENCES bench_results (id) ON DELETE CASCADE) {ending}""",
    ):
        connection.exec_driver_sql(statement)


STEPS: Mapping[int, Step] = {1: _jobs_have_a_file, 2: _bench_results}
"""From this version to the next."""


def bring_up_to_date(store: Store, steps: Mapping[int, Step] = STEPS, newest: int = schema.VERSION) -> None:
    """Leave `store` at schema `newest`, or raise BookTrouble and leave it untouched."""
    found = version_of(store)
    if found == newest:
        return
    if found is not None and found > newest:
        raise BookTrouble(
            f"The book {store.where} has schema {found}; this toothwise knows up to {newest}",
            cause="It was written by a newer toothwise",
            step="Run: python -m pip install --upgrade toothwise",
        )
    if store.read_only:
        raise BookTrouble(
            f"The book {store.where} is not ready to be read",
            cause="It is empty" if found is None else f"It has the older schema {found} (now {newest})",
            step="Open it once with writing allowed",
        )
    if found is not None and store.file:
        _keep_copy(store.file, found)
    with store.writing() as connection:
        store.alone(connection)
        found = _version(connection)  # another program may have been faster
        if found is None:
            schema.tables.create_all(connection)
            connection.execute(schema.about.insert().values(key="schema", value=str(newest)))
            return
        for version in range(found, newest):
            steps[version](connection)
        connection.execute(schema.about.update().where(schema.about.c.key == "schema").values(value=str(newest)))


def version_of(store: Store) -> int | None:
    """The schema version of a book; None for an empty database."""
    with store.reading() as connection:
        return _version(connection)


def _version(connection: Connection) -> int | None:
    names = inspect(connection).get_table_names()
    if not names:
        return None
    if schema.about.name in names:
        value = connection.execute(select(schema.about.c.value).where(schema.about.c.key == "schema")).scalar()
        if value is not None and value.isdecimal():
            return int(value)
    raise BookTrouble(
        "This database is not a book of toothwise",
        cause="It holds other tables and no schema number",
        step="Choose another file with --book",
    )


def _keep_copy(file: Path, version: int) -> None:
    copy = file.with_name(f"{file.name}.schema-{version}.bak")
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
