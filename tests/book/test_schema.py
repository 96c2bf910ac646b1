"""The tables are the same in both databases, as far as can be told without a server."""

from __future__ import annotations

import pytest
from sqlalchemy import Dialect
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateTable
from toothwise.book import schema


@pytest.mark.parametrize("dialect", [postgresql.dialect(), sqlite.dialect()], ids=lambda d: d.name)
def test_the_tables_can_be_made(dialect: Dialect) -> None:
    made = {table.name: str(CreateTable(table).compile(dialect=dialect)) for table in schema.tables.sorted_tables}
    assert "data BLOB" in made["chunks"] or "data BYTEA" in made["chunks"]
    numbered = "id BIGSERIAL" if dialect.name == "postgresql" else "id INTEGER NOT NULL"
    assert numbered in made["recordings"]
    for name in ("chunks", "blinds", "marks", "events", "measures"):
        assert "REFERENCES recordings (id) ON DELETE CASCADE" in made[name]
    # Ticks need 64 bits: one of 16 ns passes 2**31 after 34 s.
    for name, column in (("chunks", "until_tick"), ("blinds", "start_tick"), ("marks", "tick"), ("events", "tick")):
        assert f"{column} BIGINT" in made[name]
