"""Databases for fuzzing: SQLite in memory, made by the migrations."""

from collections.abc import Iterable
from functools import lru_cache

from sqlalchemy import Engine

from tests.api.plant import furnish
from tracelog.db import make_engine, upgrade, writing
from tracelog.schema import metadata


@lru_cache(maxsize=1)
def furnished_engine() -> Engine:
    """A database with the small plant of the API's tests; whoever writes undoes it."""
    engine = make_engine("sqlite://")
    upgrade(engine)
    with writing(engine) as session:
        furnish(session)
    return engine


@lru_cache(maxsize=1)
def empty_engine() -> Engine:
    """A database with tables and no rows; whoever writes empties it again."""
    engine = make_engine("sqlite://")
    upgrade(engine)
    return engine


def emptied(engine: Engine, names: Iterable[str]) -> None:
    """Take all rows out of some tables."""
    chosen = {*names}
    with engine.begin() as connection:
        for table in reversed(metadata.sorted_tables):
            if table.name in chosen:
                connection.execute(table.delete())
