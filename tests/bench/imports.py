"""How fast a plant folder goes into an empty database, and how fast nothing new goes in again."""

import csv
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.bench.demo_year import fill
from tests.bench.measure import print_table, timed
from tests.support import postgres, testrun
from tests.support.databases import Databases
from tests.support.plants import import_plant
from tracelog.db import make_engine


@contextmanager
def postgresql() -> Iterator[Engine]:
    """An engine on an empty PostgreSQL database of the bench's own, as the tests get theirs.

    Raises:
        LookupError: this machine has no server.
    """
    folder = Path(tempfile.mkdtemp(prefix="tracelog-"))
    os.environ[testrun.FOLDER_VARIABLE] = str(folder)
    keeper = postgres.start_keeper(folder)
    databases = Databases("postgresql")
    try:
        engine = make_engine(databases.empty())
        yield engine
        engine.dispose()
        databases.remove_all()
    except pytest.skip.Exception as problem:  # so the tests say it
        raise LookupError(str(problem)) from None
    finally:
        postgres.stop_keeper(keeper)


def raw_seconds(folder: Path) -> float:
    """Seconds to read the folder's rows and put them as text into tables without rules.

    What any import costs at least here: the baseline of the rates.
    """
    with timed() as taken, sqlite3.connect(":memory:") as raw:
        for path in folder.glob("*.csv"):
            with path.open(newline="", encoding="utf-8") as file:
                rows = csv.reader(file)
                columns = ", ".join(f'"{name}"' for name in next(rows))
                marks = ", ".join("?" for _ in columns.split(","))
                raw.execute(f"CREATE TABLE {path.stem} ({columns})")
                raw.executemany(f"INSERT INTO {path.stem} VALUES ({marks})", rows)
    return taken.seconds


def print_imports(folder: Path, rows: int, sqlite: Engine) -> None:
    """Import the folder on both engines, twice each, and print rows per second.

    Args:
        folder: the plant folder.
        rows: in all of its files.
        sqlite: an engine on an empty database; it is left filled.
    """
    baseline = raw_seconds(folder)
    seconds = {"plain text, in memory": baseline}
    seconds |= _both(sqlite, folder)
    try:
        with postgresql() as engine:
            seconds |= _both(engine, folder)
    except LookupError as problem:
        print(f"Without PostgreSQL: {problem}")
    print_table(
        f"Import of {rows:,} rows",
        ("into", "s", "rows/s", "x plain text"),
        (
            (into, f"{taken:.1f}", f"{rows / taken:,.0f}", f"{taken / baseline:.1f}")
            for into, taken in seconds.items()
        ),
    )


def _both(engine: Engine, folder: Path) -> dict[str, float]:
    name = engine.dialect.name
    first = fill(engine, folder)
    with timed() as again:
        import_plant(engine, folder)
    return {name: first, f"{name}, the same again": again.seconds}
