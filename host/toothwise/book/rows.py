"""Small helpers between Python objects and the book's rows."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Connection, Table, func, or_, select
from sqlalchemy.dialects import postgresql, sqlite

from toothwise.book import schema
from toothwise.book.advice import damaged
from toothwise.book.times import now_utc
from toothwise.edges.signal import Clock
from toothwise.records import Event

T = TypeVar("T")


def as_text(value: Any) -> str:
    """JSON text of plain values; numpy's numbers and arrays become plain ones. Raises ValueError on NaN."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, default=_plain)


def _plain(value: Any) -> Any:
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return value.tolist()
    raise TypeError(f"{type(value).__name__} cannot be kept as JSON")


def from_text(text: str, kind: type[T]) -> T:
    """What `as_text` wrote, of that kind. Raises BookTrouble where it is not."""
    try:
        value = json.loads(text)
    except (ValueError, TypeError, RecursionError) as error:
        raise damaged("A row of the book", f"It does not hold JSON: {error}") from None
    if not isinstance(value, kind):
        raise damaged("A row of the book", f"It holds a {type(value).__name__} where a {kind.__name__} should be")
    return value


def mentions(text: str, columns: Iterable[ColumnElement[str]]) -> ColumnElement[bool]:
    """A condition: one of the columns holds `text`, in whatever case."""
    return or_(*(func.lower(column).contains(text.lower(), autoescape=True) for column in columns))


def keep_result(connection: Connection, recording_id: int, clock: Clock, result: Mapping[str, Any]) -> None:
    """Store an examination: all as JSON; its events and measures as rows, in place of earlier ones.

    What no examination of the edges can find again stays: the wiggle test, and the shorts that the rig itself found,
    unless the new result has its own.
    """
    of_recording = {"recording_id": recording_id}
    result = _with_lasting(connection, recording_id, clock, result)
    connection.execute(
        schema.recordings.update()
        .where(schema.recordings.c.id == recording_id)
        .values(result=as_text(result), result_utc=now_utc())
    )
    for table in (schema.events, schema.measures):
        connection.execute(table.delete().where(table.c.recording_id == recording_id))
    events = [of_recording | _event_row(event, clock) for event in result.get("events", ())]
    measures = [of_recording | _measure_row(measure) for measure in result.get("measures", ())]
    if events:
        connection.execute(schema.events.insert(), events)
    if measures:
        connection.execute(schema.measures.insert(), measures)


def _with_lasting(
    connection: Connection, recording_id: int, clock: Clock, result: Mapping[str, Any]
) -> Mapping[str, Any]:
    recordings, table = schema.recordings, schema.events
    text = connection.execute(select(recordings.c.result).where(recordings.c.id == recording_id)).scalar()
    earlier = {} if text is None else from_text(text, dict)
    if "wiggle" in earlier:
        result = {"wiggle": earlier["wiggle"], **result}
    events = result.get("events", ())
    if any("short" in event for event in events):
        return result
    wanted = select(table).where(table.c.recording_id == recording_id, table.c.more.contains('"short"'))
    shorts = []
    for row in connection.execute(wanted.order_by(table.c.tick, table.c.id)):
        told = {name: getattr(row, name) for name in (*_EVENT_FIELDS, "tick", "end_tick")}
        shorts.append(Event(**told, more=from_text(row.more, dict)).as_json(clock))
    return {**result, "events": [*events, *shorts]} if shorts else result


_EVENT_FIELDS = ("kind", "channel", "revolution", "tooth", "angle_deg", "count", "level")
_MEASURE_FIELDS = ("name", "value", "unit", "uncertainty")


def _event_row(event: Mapping[str, Any], clock: Clock) -> dict[str, Any]:
    tick = clock.ticks(event["t_s"] - clock.t0_s)
    rest = {key: value for key, value in event.items() if key not in (*_EVENT_FIELDS, "t_s", "duration_s")}
    return {
        **{name: event.get(name) for name in _EVENT_FIELDS},
        "tick": tick,
        "end_tick": tick + clock.ticks(event["duration_s"]),
        "more": as_text(rest),
    }


def _measure_row(measure: Mapping[str, Any]) -> dict[str, Any]:
    about = {key: value for key, value in measure.items() if key not in _MEASURE_FIELDS}
    return {**{name: measure.get(name) for name in _MEASURE_FIELDS}, "about": as_text(about)}


def insert_row(connection: Connection, table: Table, values: Mapping[str, Any]) -> int:
    """Insert one row into a table that numbers its rows; its number."""
    return int(connection.execute(table.insert().values(values).returning(table.c.id)).scalar_one())


def insert_once(connection: Connection, table: Table, key: str, values: Mapping[str, Any]) -> int | None:
    """Insert one row unless one with the same key is there, also where several programs try at once; its number."""
    wanted = _insert(connection, table, values).on_conflict_do_nothing(index_elements=[key]).returning(table.c.id)
    number = connection.execute(wanted).scalar_one_or_none()
    return None if number is None else int(number)


def put_row(connection: Connection, table: Table, key: str, values: Mapping[str, Any]) -> None:
    """Insert one row, or put it in the place of the one with the same key."""
    rest = {name: value for name, value in values.items() if name != key}
    connection.execute(_insert(connection, table, values).on_conflict_do_update(index_elements=[key], set_=rest))


def _insert(connection: Connection, table: Table, values: Mapping[str, Any]) -> Any:
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    return dialect.insert(table).values(values)
