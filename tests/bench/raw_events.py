"""The raw events of the big plant as DuckDB tables and as pandas frames: what we are compared with.

Machines, kinds and tools are numbers, instants without a zone are in UTC. Facts are taken as they
were logged: no correction, no counter that was reset.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any

import pandas
from sqlalchemy import Engine, text

from tests.bench.tracing_tables import DEFECTS

# The small tables: what to read, and the columns that are instants.
_SMALL = {
    "services": (
        "SELECT machine_id AS machine, service, done_at AS moment FROM services",
        ("moment",),
    ),
    "fits": (
        "SELECT machine_id AS machine, tool_id AS tool, position, fitted_at AS fitted,"
        " removed_at AS removed FROM tool_fits",
        ("fitted", "removed"),
    ),
    "runs": (
        "SELECT line, coil, started_at AS started, ended_at AS ended FROM coil_runs"
        " JOIN coils ON coils.id = coil_id JOIN lines ON lines.id = line_id",
        ("started", "ended"),
    ),
}


@dataclass(frozen=True)
class RawEvents:
    """Frames by the name of their table: entries, readings, services, fits and runs (of coils).

    entries: machine, defect, moment, cans. readings: machine, moment, count. services: machine,
    service, moment. fits: machine, tool, position, fitted, removed. runs: line, coil, started,
    ended.
    """

    frames: dict[str, pandas.DataFrame]

    def __getitem__(self, name: str) -> pandas.DataFrame:
        return self.frames[name]

    @cached_property
    def duck(self) -> Any:
        """A connection to the same rows in DuckDB, two threads."""
        # Not a library of the tests: only this comparison wants it.
        import duckdb

        duck = duckdb.connect()
        duck.execute("SET threads TO 2")
        for name, frame in self.frames.items():
            duck.register("frame", frame)
            duck.execute(f"CREATE TABLE {name} AS SELECT * FROM frame")
            duck.unregister("frame")
        return duck

    def ask_duck(self, statement: str, values: dict[str, Any]) -> Any:
        """All rows of an answer; instants of `values` without a zone."""
        return self.duck.execute(statement, values).fetchall()


def without_zone(*instants: datetime) -> tuple[datetime, ...]:
    """The same instants as the raw events have them."""
    return tuple(instant.replace(tzinfo=None) for instant in instants)


def between(frame: pandas.DataFrame, start: datetime, end: datetime) -> pandas.DataFrame:
    """Rows of a period, the end not included."""
    return frame[(frame["moment"] >= start) & (frame["moment"] < end)]


def strokes_of(readings: pandas.DataFrame, keys: list[Any]) -> Any:
    """Strokes of each group: the last count less the first."""
    counted = readings.groupby(keys)["count"]
    return counted.max() - counted.min()


def read_raw(engine: Engine) -> RawEvents:
    """Read everything into frames. Takes minutes and gigabytes at full size."""
    kinds = " ".join(f"WHEN '{name}' THEN {at}" for at, name in enumerate(DEFECTS))
    with engine.connect() as connection:
        known = {
            "machine": _places(connection, "SELECT id FROM machines ORDER BY id"),
            "defect": _places(
                connection, f"SELECT id FROM defect_types ORDER BY CASE defect {kinds} END"
            ),
            "tool": _places(connection, "SELECT id FROM tools ORDER BY id"),
        }
        streamed = connection.execution_options(stream_results=True)
        frames = {
            "entries": _read(
                streamed,
                "SELECT machine_id AS machine, defect_id AS defect, occurred_at AS moment,"
                " counted_occurrences AS cans FROM current_entries",
                ("moment",),
                known,
            ),
            "readings": _read(
                streamed,
                "SELECT machine_id AS machine, read_at AS moment, strokes AS count FROM readings",
                ("moment",),
                known,
            ),
        }
        for name, (statement, instants) in _SMALL.items():
            frames[name] = _read(streamed, statement, instants, known)
    return RawEvents(frames)


def _places(connection: Any, statement: str) -> dict[str, int]:
    rows = connection.execute(text(statement))
    return {str(row[0]).replace("-", ""): place for place, row in enumerate(rows)}


def _read(
    connection: Any, statement: str, instants: tuple[str, ...], known: dict[str, dict[str, int]]
) -> pandas.DataFrame:
    rows = connection.execute(text(statement))
    names = list(rows.keys())

    def chunks() -> Iterator[pandas.DataFrame]:
        for some in rows.partitions(200_000):
            frame = pandas.DataFrame([tuple(row) for row in some], columns=names)
            for name in known.keys() & set(names):
                plain = frame[name].astype(str).str.replace("-", "")
                frame[name] = plain.map(known[name]).astype("int16")
            for name in instants:
                frame[name] = pandas.to_datetime(frame[name], utc=True).dt.tz_localize(None)
            yield frame

    return pandas.concat(chunks(), ignore_index=True)
