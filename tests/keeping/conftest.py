"""What tests of backup, retention and restoring stand on."""

from collections.abc import Callable, Iterator

import pytest
from sqlalchemy import Engine

from tests.support.databases import Databases, Kind, open_engine


@pytest.fixture
def another() -> Iterator[Callable[[Kind], Engine]]:
    """Makes a database without tables, of either engine."""
    made: list[tuple[Databases, Engine]] = []

    def make(kind: Kind) -> Engine:
        databases = Databases(kind)
        made.append((databases, open_engine(databases.empty())))
        return made[-1][1]

    yield make
    for databases, engine in made:
        engine.dispose()
        databases.remove_all()
