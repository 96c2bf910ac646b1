"""Old books are brought up to date, all or nothing; newer ones are refused; a book moves between the databases."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, event, inspect
from toothwise.book import Book, migrate, schema
from toothwise.edges.signal import Blind
from toothwise.errors import BookTrouble

from tests.book.made_results import made
from tests.book.signals import assert_same, joined, square

OLD = Path(__file__).parent / "old"
"""Books of earlier versions, as SQL: schema-VERSION.DATABASE.sql."""


def add_colour(connection: Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE jobs ADD COLUMN colour TEXT NOT NULL DEFAULT 'grey'")


def add_then_fail(connection: Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE jobs ADD COLUMN weight REAL")
    connection.exec_driver_sql("UPDATE nowhere SET x = 1")


@pytest.fixture
def used(address: str) -> str:
    """A book with a job in it, once on each database."""
    with Book.open(address) as book:
        book.jobs.add('[vehicle]\nname = "old van"')
    return address


def old_book(address: str, version: int) -> None:
    """Make a book at an address as that version made it."""
    if "://" not in address:
        with closing(sqlite3.connect(address)) as raw:
            raw.executescript((OLD / f"schema-{version}.sqlite.sql").read_text())
        return
    import psycopg

    with psycopg.connect(address, autocommit=True) as server:
        server.execute((OLD / f"schema-{version}.postgresql.sql").read_text())


def structure(book: Book) -> dict[str, Any]:
    """All that a database says of a book's tables."""
    found: dict[str, Any] = {}
    look = inspect(book._store.engine)
    for name in sorted(look.get_table_names()):
        found[name] = {
            "columns": sorted((c["name"], str(c["type"]), c["nullable"]) for c in look.get_columns(name)),
            "key": look.get_pk_constraint(name)["constrained_columns"],
            "foreign": sorted(
                (f["constrained_columns"], f["referred_table"], f["options"]) for f in look.get_foreign_keys(name)
            ),
            "indexes": sorted((i["name"], i["column_names"], bool(i["unique"])) for i in look.get_indexes(name)),
            "unique": sorted(u["column_names"] for u in look.get_unique_constraints(name)),
        }
    return found


def test_every_version_has_its_step() -> None:
    assert set(migrate.STEPS) == set(range(1, schema.VERSION))


@pytest.mark.parametrize("version", range(1, schema.VERSION))
def test_an_older_book_becomes_like_a_new_one_and_keeps_what_it_holds(
    address: str, version: int, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    old_book(address, version)
    new = request.getfixturevalue("server_address_2") if "://" in address else str(tmp_path / "new.sqlite")
    with Book.open(address) as old, Book.open(new) as fresh:
        assert structure(old) == structure(fresh)
        assert list(old.faults()) == []
        (entry,) = old.recordings("moved by HAND")
        assert (entry.id, entry.job_id, entry.edges, entry.state) == (7, 3, 300, "finished")
        stored = old.recording(7)
        edges, blind = joined(list(stored.batches()))
        assert_same(square(300), edges)
        assert blind == [Blind(100, 200, "drop", "crank")]
        assert stored.marks() == [(120, "plug at the sensor")]
        assert [e["tooth"] for e in stored.events()] == [17]
        assert stored.result is not None and stored.result["measures"][0]["name"] == "duty"
        job = old.jobs.get(3)
        assert (job.title, job.file) == ("old van", None if version == 1 else "shop:/cards/van.toml")
        assert [r.value for r in old.jobs.readings(3)] == [5.02]
        assert (old.setting("beep"), old.wheel("bench master")) == (True, {"slots": 60})
        assert old.jobs.add('[vehicle]\nname = "new van"') == 4
        assert old.bench.lots() == []
        old.copy_to(fresh)
        assert fresh.recording(7).fingerprint() == stored.fingerprint()


def test_a_book_from_file_to_server_and_back_is_the_same_row_for_row(server_address: str, tmp_path: Path) -> None:
    first, last = tmp_path / "first.sqlite", tmp_path / "last.sqlite"
    old_book(str(first), 1)
    with Book.open(first) as book:
        book.jobs.keep("bay1:/cards/van.toml", '[vehicle]\nname = "Grüße aus der Halle"')
        for n in range(70):
            book.bench.save_result(made(n, verdict="fail" if n % 3 else "pass"))
        with Book.open(server_address) as server:
            book.copy_to(server)
            with pytest.raises(BookTrouble, match="is in use"):
                book.copy_to(server)
            number = server.jobs.add('[vehicle]\nname = "the next"')
            assert number == max(job.id for job in book.jobs.find()) + 1
            assert server.bench.save_result(made(1)) is False
            server.jobs.delete(number)
            server.backup(last)
    with closing(sqlite3.connect(first)) as one, closing(sqlite3.connect(last)) as other:
        names = [table.name for table in schema.tables.sorted_tables]
        for name in names:
            rows = [sorted(raw.execute(f"SELECT * FROM {name}"), key=repr) for raw in (one, other)]
            assert rows[0] == rows[1], name
        assert one.execute("SELECT count(*) FROM bench_measures").fetchone() == (280,)


def test_a_damaged_book_is_not_copied_in_part(server_address: str, tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    old_book(str(path), 1)
    Book.open(path).close()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE wheels SET body = CAST(x'ff' AS TEXT)")
        raw.commit()
    with Book.open(path) as book, Book.open(server_address) as server:
        with pytest.raises(BookTrouble, match=r"The book .*old\.sqlite cannot be used"):
            book.copy_to(server)
        assert server.recordings() == []


def test_a_step_is_taken_once(used: str) -> None:
    now = schema.VERSION
    with Book.open(used) as book:
        store = book._store
        migrate.bring_up_to_date(store, {now: add_colour}, now + 1)
        migrate.bring_up_to_date(store, {now: add_colour}, now + 1)
        assert migrate.version_of(store) == now + 1
        assert "colour" in {column["name"] for column in inspect(store.engine).get_columns("jobs")}
        copy = store.file and store.file.with_name(f"book.sqlite.schema-{now}.bak")
    if copy:  # a file's copy is kept as it was
        with Book.open(copy) as book:
            assert "colour" not in {column["name"] for column in inspect(book._store.engine).get_columns("jobs")}
            assert book.jobs.find()[0].title == "old van"


def test_a_failing_step_leaves_the_book_as_it_was(used: str) -> None:
    now = schema.VERSION
    with Book.open(used) as book:
        with pytest.raises(BookTrouble):
            migrate.bring_up_to_date(book._store, {now: add_colour, now + 1: add_then_fail}, now + 2)
        assert migrate.version_of(book._store) == now
        columns = {column["name"] for column in inspect(book._store.engine).get_columns("jobs")}
        assert not {"colour", "weight"} & columns
    Book.open(used).close()


def test_a_newer_book_is_refused_with_what_to_do(used: str) -> None:
    with Book.open(used) as book:
        where = book.where
        with book._store.writing() as connection:
            connection.exec_driver_sql("UPDATE about SET value = '999' WHERE key = 'schema'")
    with pytest.raises(BookTrouble) as caught:
        Book.open(used)
    assert str(caught.value) == (
        f"The book {where} has schema 999; this toothwise knows up to {schema.VERSION}."
        " It was written by a newer toothwise. Run: python -m pip install --upgrade toothwise."
    )


def test_a_book_without_its_number_is_refused(used: str) -> None:
    with Book.open(used) as book, book._store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM about")
    with pytest.raises(BookTrouble, match="not a book"):
        Book.open(used)


def test_a_job_is_known_again_by_its_file(used: str) -> None:
    with Book.open(used) as book:
        assert [(job.title, job.file) for job in book.jobs.find()] == [("old van", None)]
        first = book.jobs.keep("bay1:/cards/van.toml", '[vehicle]\nname = "blue van"')
        again = book.jobs.keep("bay1:/cards/van.toml", '[vehicle]\nname = "blue van, repaired"')
        other = book.jobs.keep("bay2:/cards/van.toml", '[vehicle]\nname = "blue van"')
        assert first == again != other
        assert book.jobs.get(first).title == "blue van, repaired"


def test_two_programs_that_keep_one_card_at_once_make_one_job_of_it(server_address: str) -> None:
    """The other one's row comes in after this one has looked. (A file has one writer at a time.)"""
    numbers: list[int] = []
    with Book.open(server_address) as book, Book.open(server_address) as other:

        def meanwhile(_connection: object, _cursor: object, statement: str, *_: object) -> None:
            if statement.startswith("INSERT INTO jobs"):
                numbers.append(other.jobs.keep("bay1:/cards/van.toml", '[vehicle]\nname = "van"'))

        event.listen(book._store.engine, "before_cursor_execute", meanwhile)
        numbers.append(book.jobs.keep("bay1:/cards/van.toml", '[vehicle]\nname = "blue van"'))
        assert numbers[0] == numbers[1]
        assert [job.title for job in book.jobs.find()] == ["blue van"]


def test_many_may_open_a_new_book_at_once(address: str) -> None:
    troubles: list[Exception] = []

    def open_it() -> None:
        try:
            Book.open(address).close()
        except Exception as error:
            troubles.append(error)

    threads = [threading.Thread(target=open_it) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []
