"""Bulk intake of readings against bare COPY (PostgreSQL) and bare executemany (SQLite).

`python -m tests.bench.bulk_readings --rows 2000000` prints rows per second and ratios. The import
is the whole of it: the file is read and checked, duplicates are looked for, the batch leaves its
audit record, and hours and questions are derived. The bare writes get rows that are ready as the
driver takes them. Both go into a database on the same disk, in the same run.
"""

import csv
import resource
import sqlite3
import sys
import tempfile
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click
import numpy as np
from sqlalchemy import Engine, make_url

from tests.bench.imports import postgresql
from tests.bench.measure import print_table, timed
from tests.support.plants import import_plant
from tracelog.db import make_engine, upgrade

_MACHINES = 64
_EVERY = timedelta(seconds=30)
_STARTS = datetime(2023, 1, 1, tzinfo=UTC)
_COUNTER_MAX = 99_999_999
_SPM = 320
_COLUMNS = "machine_id, read_at, strokes, audit_id"


def write_folders(place: Path, rows: int, *, by_time: bool) -> tuple[Path, Path]:
    """A plant of 64 bodymakers, and the folder of its readings alone.

    Args:
        place: an empty folder.
        rows: how many readings, every 30 s of each machine.
        by_time: the file is in order of time, as a historian writes it; otherwise machine after
            machine, as tracelog exports it.
    """
    plant, readings = place / "plant", place / "readings"
    plant.mkdir()
    readings.mkdir()
    plant_file = 'name = "Alder Point"\ntime_zone = "Europe/Madrid"\n'
    plant_file += "[transit]\nminutes = [20, 95]\n"
    plant_file += '[[shift]]\nname = "day"\nstarts = "06:00"\n[rota]\nstarts_on = "2023-01-02"\n'
    (plant / "plant.toml").write_text(plant_file + 'cycle = [{ day = "A" }]\n', encoding="utf-8")
    lines = "".join(f"{line},\n" for line in range(1, 9))
    (plant / "lines.csv").write_text(f"line,name\n{lines}", encoding="utf-8")
    with (plant / "machines.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("line", "station", "number", "name", "counter_max", "rated_spm"))
        for line, number in _machines():
            writer.writerow((line, "bodymaker", number, "", _COUNTER_MAX, _SPM))
    with (readings / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        file.write("line,bodymaker,read_at,strokes\n")
        file.writelines(_lines(rows // _MACHINES, by_time=by_time))
    return plant, readings


def _machines() -> list[tuple[int, int]]:
    return [(1 + place // 8, 1 + place % 8) for place in range(_MACHINES)]


def _lines(each: int, *, by_time: bool) -> Iterator[str]:
    made = np.random.default_rng(1).integers(140, 175, size=each).cumsum() % (_COUNTER_MAX + 1)
    moments = [f"{_STARTS + place * _EVERY:%Y-%m-%dT%H:%M:%SZ}" for place in range(each)]
    machines = _machines()
    if by_time:
        for at, strokes in zip(moments, made.tolist(), strict=True):
            for line, number in machines:
                yield f"{line},{number},{at},{strokes}\n"
    else:
        for line, number in machines:
            for at, strokes in zip(moments, made.tolist(), strict=True):
                yield f"{line},{number},{at},{strokes}\n"


def _rows(path: Path) -> Iterator[tuple[uuid.UUID, datetime, int, uuid.UUID]]:
    """The file's rows as the drivers take them."""
    audit = uuid.uuid4()
    machines = {(str(line), str(number)): uuid.uuid4() for line, number in _machines()}
    with path.open(newline="", encoding="utf-8") as file:
        rows = csv.reader(file)
        next(rows)
        for line, number, at, strokes in rows:
            moment = datetime.fromisoformat(at)
            yield machines[line, number], moment, int(strokes), audit


def bare_copy(engine: Engine, path: Path, *, with_key: bool) -> float:
    """Seconds in which COPY takes the same rows, one after the other, into a table without rules.

    Making the rows in Python beforehand is left out, row by row handing over is counted.
    """
    rows = list(_rows(path))
    key = ", PRIMARY KEY (machine_id, read_at)" if with_key else ""
    with engine.connect() as connection, timed() as taken:
        raw: Any = connection.connection.driver_connection
        with raw.cursor() as cursor:
            cursor.execute(
                "CREATE TABLE bare (machine_id uuid, read_at timestamptz, strokes bigint,"
                f" audit_id uuid{key})".encode()
            )
            with cursor.copy(f"COPY bare ({_COLUMNS}) FROM STDIN".encode()) as copy:
                for row in rows:
                    copy.write_row(row)
            raw.commit()
    with engine.connect() as connection:
        connection.exec_driver_sql("DROP TABLE bare")
        connection.commit()
    return taken.seconds


def bare_executemany(path: Path, database: Path, *, with_key: bool) -> float:
    """Seconds in which one executemany takes the same rows, as texts, into a bare table."""
    rows = [
        (machine.hex, at.replace(tzinfo=None).isoformat(" ", "microseconds"), strokes, audit.hex)
        for machine, at, strokes, audit in _rows(path)
    ]
    key = ", PRIMARY KEY (machine_id, read_at)" if with_key else ""
    how = " WITHOUT ROWID" if with_key else ""
    raw = sqlite3.connect(database, isolation_level=None)
    raw.execute("PRAGMA journal_mode=WAL")
    raw.execute("PRAGMA synchronous=FULL")
    with timed() as taken:
        raw.execute(
            "CREATE TABLE bare (machine_id TEXT, read_at TEXT, strokes INTEGER, audit_id TEXT"
            f"{key}){how}"
        )
        raw.execute("BEGIN")
        raw.executemany("INSERT INTO bare VALUES (?, ?, ?, ?)", rows)
        raw.execute("COMMIT")
    raw.close()
    database.unlink()
    return taken.seconds


def imported(engine: Engine, plant: Path, readings: Path) -> tuple[float, float]:
    """Seconds of the import of the readings alone, and of the same import again."""
    upgrade(engine)
    import_plant(engine, plant)
    with timed() as first:
        import_plant(engine, readings)
    with timed() as again:
        import_plant(engine, readings)
    return first.seconds, again.seconds


def _peak_mb() -> float:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if sys.platform == "darwin" else 1e3)


def _measure(engine: Engine, place: Path, rows: int, folders: tuple[Path, Path]) -> None:
    name = engine.dialect.name
    first, again = imported(engine, *folders)
    peak = _peak_mb()  # before the bare writes, which hold all rows at once
    path = folders[1] / "readings.csv"
    seconds = {f"{name}: tracelog": first, f"{name}: tracelog, the same again": again}
    for with_key in (False, True):
        what = "with the same key" if with_key else "without a key"
        if name == "postgresql":
            seconds[f"{name}: bare COPY, {what}"] = bare_copy(engine, path, with_key=with_key)
        else:
            other = Path(str(make_url(str(engine.url)).database)).with_name("bare.db")
            taken = bare_executemany(path, other, with_key=with_key)
            seconds[f"{name}: bare executemany, {what}"] = taken
    print_table(
        f"{rows:,} readings of {_MACHINES} machines; most memory of the import {peak:.0f} MB",
        ("into", "s", "rows/s", "rate of tracelog / this"),
        (
            (what, f"{taken:.1f}", f"{rows / taken:,.0f}", f"{taken / first:.2f}")
            for what, taken in seconds.items()
        ),
    )


@click.command()
@click.option("--rows", default=2_000_000, show_default=True, help="Readings in the file.")
@click.option("--by-time", is_flag=True, help="The file is in order of time, not of machines.")
@click.option("--engine", "only", type=click.Choice(["sqlite", "postgresql"]))
@click.option("--import-only", is_flag=True, help="Only import, and say how much memory it took.")
def bench(rows: int, by_time: bool, only: str | None, import_only: bool) -> None:
    """Import readings in bulk on both engines, and write them without any rule beside.

    Example: python -m tests.bench.bulk_readings --rows 2000000
    """
    rows -= rows % _MACHINES
    with tempfile.TemporaryDirectory(prefix="tracelog-bench-") as name:
        place = Path(name)
        folders = write_folders(place, rows, by_time=by_time)
        if only != "postgresql":
            engine = make_engine(f"sqlite:///{place / 'tracelog.db'}")
            _one(engine, place, rows, folders, import_only=import_only)
            engine.dispose()
        if only != "sqlite":
            with postgresql() as engine:
                _one(engine, place, rows, folders, import_only=import_only)


def _one(
    engine: Engine, place: Path, rows: int, folders: tuple[Path, Path], *, import_only: bool
) -> None:
    if not import_only:
        _measure(engine, place, rows, folders)
        return
    upgrade(engine)
    import_plant(engine, folders[0])
    with timed() as taken:
        import_plant(engine, folders[1])
    print(
        f"{engine.dialect.name}: {rows:,} readings in {taken.seconds:.0f} s,"
        f" {rows / taken.seconds:,.0f} a second; most memory {_peak_mb():.0f} MB"
    )


if __name__ == "__main__":
    bench()
