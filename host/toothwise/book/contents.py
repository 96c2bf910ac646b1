"""What hangs on a recording or a job, counted: for lists, and to be said before it is deleted."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice

from sqlalchemy import Table, func, select

from toothwise.book import schema
from toothwise.book.store import Store
from toothwise.records import NO_FAULT_KINDS

_AT_ONCE = 10_000
"""Recordings asked for by one query: a database takes no more than some ten thousand numbers in a list."""


def of_recording(store: Store, recording_id: int) -> dict[str, int]:
    """{"edges", "bytes", "findings", "measures", "marks", "notes"}: what goes with a recording. bytes: of its edges."""
    chunks = schema.chunks
    with store.reading() as connection:

        def rows(table: Table) -> int:
            wanted = select(func.count()).select_from(table).where(table.c.recording_id == recording_id)
            return int(connection.execute(wanted).scalar_one())

        wanted = select(func.sum(chunks.c.edges), func.sum(func.length(chunks.c.data)))
        edges, size = connection.execute(wanted.where(chunks.c.recording_id == recording_id)).one()
        return {
            "edges": int(edges or 0),
            "bytes": int(size or 0),
            "findings": rows(schema.events),
            "measures": rows(schema.measures),
            "marks": rows(schema.marks),
            "notes": rows(schema.notes),
        }


def of_job(store: Store, job: int) -> dict[str, int]:
    """{"readings", "notes", "recordings"}: the first two go with a job, its recordings stay."""
    tables = {"readings": schema.readings, "notes": schema.notes, "recordings": schema.recordings}
    with store.reading() as connection:
        return {
            name: int(
                connection.execute(select(func.count()).select_from(table).where(table.c.job_id == job)).scalar_one()
            )
            for name, table in tables.items()
        }


def findings(store: Store, recordings: Iterable[int]) -> dict[int, int]:
    """How many findings that speak of a fault each of these recordings has; those without any are left out."""
    events = schema.events
    wanted = (
        select(events.c.recording_id, func.count())
        .where(events.c.kind.not_in(NO_FAULT_KINDS))
        .group_by(events.c.recording_id)
    )
    found: dict[int, int] = {}
    rest = iter(recordings)
    with store.reading() as connection:
        while some := list(islice(rest, _AT_ONCE)):
            rows = connection.execute(wanted.where(events.c.recording_id.in_(some)))
            found.update((int(number), int(count)) for number, count in rows)
    return found
