"""The book's tables: one schema for SQLite and PostgreSQL, SQLAlchemy Core.

Times are text, UTC, ISO 8601 with microseconds and a Z, so that they sort as they read in either database.
JSON columns are text too: the book must be readable by anything that reads SQLite.
Raise VERSION with every change to these tables and add its step to `migrate.py`.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
)

VERSION = 3

tables = MetaData()

# SQLite numbers rows by itself only where the key is called INTEGER.
_Id = BigInteger().with_variant(Integer, "sqlite")


def _own_id() -> Column[int]:
    return Column("id", _Id, primary_key=True)


def _of_recording() -> Column[int]:
    return Column("recording_id", _Id, ForeignKey("recordings.id", ondelete="CASCADE"), nullable=False)


about = Table(
    "about",
    tables,
    Column("key", Text, primary_key=True),  # "schema": this file's VERSION
    Column("value", Text, nullable=False),
)

jobs = Table(
    "jobs",
    tables,
    _own_id(),
    Column("made_utc", Text, nullable=False),
    Column("changed_utc", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("body", Text, nullable=False),  # the job file, TOML, as it was given
    Column("file", Text),  # computer and path of that file: the same file is the same job
    Index("jobs_by_file", "file", unique=True),
)

readings = Table(
    "readings",
    tables,
    _own_id(),
    Column("job_id", _Id, ForeignKey("jobs.id", ondelete="CASCADE"), nullable=False),
    Column("taken_utc", Text, nullable=False),
    Column("name", Text, nullable=False),  # resistance_ohm, feed_v, …: the names of the job file
    Column("value", Float, nullable=False),
    Column("measured_at", Text, nullable=False),  # sensor, control unit, harness, bench, or ""
    Index("readings_of_job", "job_id"),
)

recordings = Table(
    "recordings",
    tables,
    _own_id(),
    Column("uid", Text, nullable=False, unique=True),  # the same recording has the same uid in every book
    Column("job_id", _Id, ForeignKey("jobs.id", ondelete="SET NULL")),
    Column("started_utc", Text, nullable=False),
    Column("written_utc", Text, nullable=False),  # when the last chunk was committed
    Column("ended_utc", Text),  # null: still running, or cut short by a kill or a crash
    Column("tick_ns", Float(53), nullable=False),
    Column("t0_s", Float(53), nullable=False),
    Column("channels", Text, nullable=False),  # JSON list, in the order of the chunks' channels
    Column("source", Text, nullable=False),  # JSON object
    Column("settings", Text, nullable=False),  # JSON object: wheel and options the recording was made with
    Column("until_tick", BigInteger),  # null: nothing recorded yet
    Column("chunks", Integer, nullable=False),
    Column("edges", BigInteger, nullable=False),
    Column("result", Text),  # JSON object: the last examination
    Column("result_utc", Text),
    Index("recordings_by_time", "started_utc"),
    Index("recordings_of_job", "job_id"),
)

chunks = Table(
    "chunks",
    tables,
    Column(
        "recording_id",
        _Id,
        ForeignKey("recordings.id", ondelete="CASCADE"),
        primary_key=True,
        autoincrement=False,
    ),
    Column("seq", Integer, primary_key=True, autoincrement=False),  # 0, 1, 2 … without a hole
    Column("until_tick", BigInteger, nullable=False),
    Column("edges", Integer, nullable=False),
    Column("encoding", SmallInteger, nullable=False),  # see chunk.py
    Column("crc32", BigInteger, nullable=False),
    Column("data", LargeBinary, nullable=False),
)

blinds = Table(
    "blinds",
    tables,
    _own_id(),
    _of_recording(),
    Column("seq", Integer, nullable=False),  # the chunk with which it became known
    Column("start_tick", BigInteger, nullable=False),
    Column("end_tick", BigInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Column("channel", Text),  # null: all channels
    Index("blinds_of_recording", "recording_id", "seq"),
)

marks = Table(
    "marks",
    tables,
    _own_id(),
    _of_recording(),
    Column("tick", BigInteger, nullable=False),
    Column("place", Text, nullable=False),
    Index("marks_of_recording", "recording_id", "tick"),
)

events = Table(
    "events",
    tables,
    _own_id(),
    _of_recording(),
    Column("kind", Text, nullable=False),
    Column("channel", Text, nullable=False),
    Column("tick", BigInteger, nullable=False),
    Column("end_tick", BigInteger, nullable=False),
    Column("revolution", BigInteger),
    Column("tooth", Integer),
    Column("angle_deg", Float(53)),
    Column("count", BigInteger, nullable=False),
    Column("level", SmallInteger),
    Column("more", Text, nullable=False),  # JSON object
    Index("events_of_recording", "recording_id", "tick"),
)

measures = Table(
    "measures",
    tables,
    _own_id(),
    _of_recording(),
    Column("name", Text, nullable=False),
    Column("value", Float(53), nullable=False),
    Column("unit", Text, nullable=False),
    Column("uncertainty", Float(53)),
    Column("about", Text, nullable=False),  # JSON object: {"tooth": 17}
    Index("measures_of_recording", "recording_id"),
)

notes = Table(
    "notes",
    tables,
    _own_id(),
    Column("written_utc", Text, nullable=False),
    Column("job_id", _Id, ForeignKey("jobs.id", ondelete="CASCADE")),
    Column("recording_id", _Id, ForeignKey("recordings.id", ondelete="CASCADE")),
    Column("text", Text, nullable=False),
    Index("notes_of_job", "job_id"),
    Index("notes_of_recording", "recording_id"),
)

settings = Table(
    "settings",
    tables,
    Column("key", Text, primary_key=True),
    Column("value", Text, nullable=False),  # JSON
)

wheels = Table(
    "wheels",
    tables,
    Column("name", Text, primary_key=True),
    Column("learnt_utc", Text, nullable=False),
    Column("body", Text, nullable=False),  # JSON: the learnt pattern, in the wheel room's own words
)

bench_results = Table(
    "bench_results",
    tables,
    _own_id(),
    Column("uuid", Text, nullable=False, unique=True),  # given where the run was made: the same run is kept once
    Column("lot", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("sensor_type", Text, nullable=False),
    Column("bench", Text, nullable=False),
    Column("started_utc", Text, nullable=False),  # by the bench's clock, to the second
    Column("ended_utc", Text, nullable=False),
    Column("kept_utc", Text, nullable=False),  # when this book took it
    Column("verdict", Text, nullable=False),  # pass, retest, fail
    Column("reasons", Text, nullable=False),  # JSON list of words
    Column("more", Text, nullable=False),  # JSON object: the rest of the result, as the bench gave it
    Index("bench_results_of_lot", "lot", "serial", "ended_utc", "verdict"),
    Index("bench_results_of_type", "sensor_type", "ended_utc"),
    Index("bench_results_by_time", "ended_utc"),
    Index("bench_results_by_serial", "serial"),
)

bench_measures = Table(
    "bench_measures",
    tables,
    Column(
        "result_id",
        _Id,
        ForeignKey("bench_results.id", ondelete="CASCADE"),
        primary_key=True,
        autoincrement=False,
    ),
    Column("seq", Integer, primary_key=True, autoincrement=False),  # 0, 1, 2 … in the order of the sequence
    Column("name", Text, nullable=False),
    Column("stage", Text, nullable=False),  # part of the sequence, or ""
    Column("value", Float(53)),  # null: could not be measured
    Column("unit", Text, nullable=False),
    Column("uncertainty", Float(53)),  # standard uncertainty, in `unit`
    Column("low", Float(53)),  # limits; null: none
    Column("high", Float(53)),
    Column("verdict", Text, nullable=False),
    Column("more", Text, nullable=False),  # JSON object: the rest, e.g. the words
    sqlite_with_rowid=False,  # a result's measures lie side by side
)
