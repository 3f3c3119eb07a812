"""The year that the bench and the pictures look at: simulated, imported, its end the present."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from unittest.mock import patch
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from seed_demo.folder import write_folder
from seed_demo.simulate import simulate
from seed_demo.sizes import SIZES, TIME_ZONE
from tests.bench.measure import timed
from tests.support.plants import import_plant
from tracelog.db import make_engine, upgrade

SEED = 1


def write_plant(size: str, folder: Path) -> int:
    """Write the plant folder of that size; returns the number of its rows."""
    write_folder(simulate(SIZES[size], SEED), folder)
    return sum(len(path.read_bytes().splitlines()) - 1 for path in folder.glob("*.csv"))


def fill(engine: Engine, folder: Path) -> float:
    """Import a plant folder into an empty database; returns the seconds of the import alone."""
    upgrade(engine)
    with timed() as taken:
        import_plant(engine, folder)
    with engine.connect() as connection, connection.begin():
        connection.exec_driver_sql("ANALYZE")  # as `tracelog demo` does
    return taken.seconds


def new_database(size: str, place: Path) -> Engine:
    """An SQLite database of the application's own settings that holds the plant of that size."""
    write_plant(size, place / "plant")
    engine = make_engine(f"sqlite:///{place / 'tracelog.db'}")
    fill(engine, place / "plant")
    return engine


def end_of(size: str) -> datetime:
    """Just after everything that the history of that size tells, in its last shift."""
    plant = SIZES[size]
    last = datetime.combine(plant.ends_on, plant.ends_at, ZoneInfo(TIME_ZONE))
    return last + timedelta(minutes=5)


@contextmanager
def at_its_end(size: str) -> Iterator[None]:
    """Let the application take the end of that history for the present."""
    end = end_of(size).astimezone(ZoneInfo("UTC"))
    with patch("tracelog.instants.now", lambda: end):
        yield
