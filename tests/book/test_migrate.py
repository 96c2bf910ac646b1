"""Old books are brought up to date, all or nothing; newer ones are refused."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest
from sqlalchemy import Connection
from toothwise.book import Book, migrate, schema
from toothwise.book.store import Store
from toothwise.errors import BookTrouble


def add_colour(connection: Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE jobs ADD COLUMN colour TEXT NOT NULL DEFAULT 'grey'")


def add_then_fail(connection: Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE jobs ADD COLUMN weight REAL")
    connection.exec_driver_sql("UPDATE nowhere SET x = 1")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "b.sqlite"
    with Book.open(path) as book:
        book.jobs.add('[vehicle]\nname = "old van"')
    return path


def columns(path: Path) -> set[str]:
    with sqlite3.connect(path) as raw:
        return {row[1] for row in raw.execute("PRAGMA table_info(jobs)")}


def test_every_version_has_its_step() -> None:
    assert set(migrate.STEPS) == set(range(1, schema.VERSION))


def test_a_step_is_taken_once_and_a_copy_is_kept(path: Path) -> None:
    now = schema.VERSION
    store = Store(f"sqlite:///{path}")
    migrate.bring_up_to_date(store, {now: add_colour}, now + 1)
    migrate.bring_up_to_date(store, {now: add_colour}, now + 1)
    assert migrate.version_of(store) == now + 1
    store.close()
    assert "colour" in columns(path)
    copy = path.with_name(f"b.sqlite.schema-{now}.bak")
    assert "colour" not in columns(copy)
    with Book.open(copy) as book:
        assert book.jobs.find()[0].title == "old van"


def test_a_failing_step_leaves_the_book_as_it_was(path: Path) -> None:
    now = schema.VERSION
    store = Store(f"sqlite:///{path}")
    with pytest.raises(BookTrouble):
        migrate.bring_up_to_date(store, {now: add_colour, now + 1: add_then_fail}, now + 2)
    assert migrate.version_of(store) == now
    store.close()
    assert not {"colour", "weight"} & columns(path)
    Book.open(path).close()


def test_a_newer_book_is_refused_with_what_to_do(path: Path) -> None:
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE about SET value = '999' WHERE key = 'schema'")
    with pytest.raises(BookTrouble) as caught:
        Book.open(path)
    assert str(caught.value) == (
        f"The book {path} has schema 999; this toothwise knows up to {schema.VERSION}."
        " It was written by a newer toothwise. Run: python -m pip install --upgrade toothwise."
    )


def test_a_book_without_its_number_is_refused(path: Path) -> None:
    with sqlite3.connect(path) as raw:
        raw.execute("DELETE FROM about")
    with pytest.raises(BookTrouble, match="not a book"):
        Book.open(path)


def test_many_may_open_a_new_book_at_once(tmp_path: Path) -> None:
    troubles: list[Exception] = []

    def open_it() -> None:
        try:
            Book.open(tmp_path / "new.sqlite").close()
        except Exception as error:
            troubles.append(error)

    threads = [threading.Thread(target=open_it) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []


def test_a_book_of_the_first_schema_opens_and_its_jobs_have_files_from_then_on(path: Path) -> None:
    with sqlite3.connect(path) as raw:  # as the first version made it
        raw.execute("DROP INDEX jobs_by_file")
        raw.execute("ALTER TABLE jobs DROP COLUMN file")
        raw.execute("UPDATE about SET value = '1' WHERE key = 'schema'")
    with Book.open(path) as book:
        assert [(job.title, job.file) for job in book.jobs.find()] == [("old van", None)]
        first = book.jobs.keep("bay1:/cards/van.toml", '[vehicle]\nname = "blue van"')
        again = book.jobs.keep("bay1:/cards/van.toml", '[vehicle]\nname = "blue van, repaired"')
        other = book.jobs.keep("bay2:/cards/van.toml", '[vehicle]\nname = "blue van"')
        assert first == again != other
        assert book.jobs.get(first).title == "blue van, repaired"
