"""The book on both databases: `address` is an empty one, first a file, then a database on a server of our own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest

from tests.book.server import Cluster, programs
from tests.parts import need


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A server that runs as long as the tests do."""
    need("PostgreSQL", programs() is not None)
    with Cluster() as running:
        yield running


@pytest.fixture
def server_address(cluster: Cluster) -> Iterator[str]:
    """An empty database on the server."""
    with cluster.database(f"book-{uuid4().hex}") as address:
        yield address


@pytest.fixture
def server_address_2(cluster: Cluster) -> Iterator[str]:
    """Another one."""
    with cluster.database(f"book-{uuid4().hex}") as address:
        yield address


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database, once of each kind."""
    if request.param == "sqlite":
        return str(tmp_path / "book.sqlite")
    made: str = request.getfixturevalue("server_address")
    return made
