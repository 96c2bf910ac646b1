"""Jobs with their readings and notes: one vehicle or one bench lot each."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

from sqlalchemy import select

from toothwise import toml
from toothwise.book import contents, schema
from toothwise.book.keep import no_such
from toothwise.book.rows import insert_once, insert_row, mentions
from toothwise.book.store import Store
from toothwise.book.times import now_utc
from toothwise.errors import FileTrouble


@dataclass(frozen=True, slots=True)
class Job:
    """A job as it stands in the book. `body` is the job file's TOML text, as it was given."""

    id: int
    title: str
    body: str
    made_utc: str
    changed_utc: str
    file: str | None
    """Computer and path of the file it came from, where it came from one."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value read with a meter; names and units are those of the job file."""

    name: str
    value: float
    measured_at: str
    taken_utc: str


class Jobs:
    """`book.jobs`: add, change, get, find, delete; readings and notes of a job."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(self, body: str, title: str | None = None) -> int:
        """Keep a job file; its number. The title is the vehicle's name unless given. Raises FileTrouble."""
        now = now_utc()
        row = {"title": title or _title_of(body), "body": body, "made_utc": now, "changed_utc": now}
        with self._store.writing() as connection:
            return insert_row(connection, schema.jobs, row)

    def change(self, job: int, body: str, title: str | None = None) -> None:
        """Replace the job file of a job."""
        row = {"title": title or _title_of(body), "body": body, "changed_utc": now_utc()}
        with self._store.writing() as connection:
            changed = connection.execute(schema.jobs.update().where(schema.jobs.c.id == job).values(row))
            if not changed.rowcount:
                raise no_such("job", job, self._store)

    def keep(self, file: str, body: str) -> int:
        """The job of the card in this file, brought up to date, or a new one; its number. Raises FileTrouble.

        file: computer and path; the same file is the same job.
        """
        jobs = schema.jobs
        now = now_utc()
        row = {"title": _title_of(body), "body": body, "changed_utc": now}
        wanted = select(jobs.c.id, jobs.c.body).where(jobs.c.file == file)
        with self._store.writing() as connection:
            known = connection.execute(wanted).one_or_none()
            if known is None:
                number = insert_once(connection, jobs, "file", {**row, "made_utc": now, "file": file})
                if number is not None:
                    return number
                known = connection.execute(wanted).one()  # another program was faster
            if known.body != body:
                connection.execute(jobs.update().where(jobs.c.id == known.id).values(row))
            return int(known.id)

    def get(self, job: int) -> Job:
        """Raises BookTrouble if there is no such job."""
        with self._store.reading() as connection:
            row = connection.execute(select(schema.jobs).where(schema.jobs.c.id == job)).one_or_none()
        if row is None:
            raise no_such("job", job, self._store)
        return Job(**row._mapping)

    def of_file(self, file: str) -> Job | None:
        """The job of the card in this file, if the book knows it."""
        with self._store.reading() as connection:
            row = connection.execute(select(schema.jobs).where(schema.jobs.c.file == file)).one_or_none()
        return None if row is None else Job(**row._mapping)

    def find(self, search: str = "", *, limit: int = 100, skip: int = 0) -> list[Job]:
        """Newest first; with `search`, those whose title, file or notes hold it, in whatever case."""
        jobs, notes = schema.jobs, schema.notes
        wanted = select(jobs).order_by(jobs.c.made_utc.desc(), jobs.c.id.desc()).limit(limit).offset(skip)
        if search:
            noted = select(notes.c.job_id).where(mentions(search, [notes.c.text]))
            wanted = wanted.where(mentions(search, [jobs.c.title, jobs.c.body]) | jobs.c.id.in_(noted))
        with self._store.reading() as connection:
            return [Job(**row._mapping) for row in connection.execute(wanted)]

    def earlier(self, recording: int) -> int | None:
        """The examined recording of the same job before this one; None where there is none."""
        table = schema.recordings
        with self._store.reading() as connection:
            row = connection.execute(select(table.c.job_id, table.c.started_utc).where(table.c.id == recording)).one()
            before = (
                select(table.c.id)
                .where(table.c.job_id == row.job_id, table.c.id != recording, table.c.result_utc.is_not(None))
                .where((table.c.started_utc < row.started_utc)
                       | ((table.c.started_utc == row.started_utc) & (table.c.id < recording)))
                .order_by(table.c.started_utc.desc(), table.c.id.desc())
                .limit(1)
            )  # fmt: skip
            found = connection.execute(before).scalar()
        return None if found is None else int(found)

    def contents(self, job: int) -> dict[str, int]:
        """What hangs on a job, counted; see `contents.of_job`."""
        return contents.of_job(self._store, job)

    def delete(self, job: int) -> None:
        """Remove a job with its readings and notes. Its recordings stay, without a job."""
        with self._store.writing() as connection:
            if not connection.execute(schema.jobs.delete().where(schema.jobs.c.id == job)).rowcount:
                raise no_such("job", job, self._store)

    def add_reading(self, job: int, name: str, value: float, measured_at: str = "") -> None:
        """Add a reading; an earlier one of the same name stays."""
        self.get(job)
        row = {
            "job_id": job,
            "name": name,
            "value": value,
            "measured_at": measured_at,
            "taken_utc": now_utc(),
        }
        with self._store.writing() as connection:
            connection.execute(schema.readings.insert().values(row))

    def readings(self, job: int) -> list[Reading]:
        """Oldest first."""
        table = schema.readings
        wanted = select(table.c.name, table.c.value, table.c.measured_at, table.c.taken_utc)
        with self._store.reading() as connection:
            rows = connection.execute(wanted.where(table.c.job_id == job).order_by(table.c.id))
            return [Reading(**row._mapping) for row in rows]

    def add_note(self, job: int, text: str) -> None:
        """A line of text with the present time."""
        self.get(job)
        row = {"job_id": job, "text": text, "written_utc": now_utc()}
        with self._store.writing() as connection:
            connection.execute(schema.notes.insert().values(row))

    def notes(self, job: int) -> list[tuple[str, str]]:
        """(UTC, text), oldest first."""
        table = schema.notes
        wanted = select(table.c.written_utc, table.c.text).where(table.c.job_id == job).order_by(table.c.id)
        with self._store.reading() as connection:
            return [(row.written_utc, row.text) for row in connection.execute(wanted)]


def _title_of(body: str) -> str:
    try:
        job = toml.table(body)
    except tomllib.TOMLDecodeError as error:
        raise FileTrouble(
            "The job file cannot be read", cause=str(error), step="Mend that line; it must be TOML"
        ) from None
    vehicle = job.get("vehicle")
    name = vehicle.get("name") if isinstance(vehicle, dict) else None
    return str(name) if name else "untitled"
