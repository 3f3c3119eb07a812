"""Fixtures of the plant folder's tests."""

from collections.abc import Iterator

import pytest
from sqlalchemy import Engine

from tests.support.databases import Databases, Kind, open_engine


@pytest.fixture(scope="module")
def untouched(database_kind: Kind) -> Iterator[Engine]:
    """Engine of an empty database for tests that show that nothing is written."""
    databases = Databases(database_kind)
    engine = open_engine(databases.migrated())
    yield engine
    engine.dispose()
    databases.remove_all()
