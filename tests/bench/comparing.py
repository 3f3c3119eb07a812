"""Rates of a big plant, put to us, to DuckDB over the raw events, and to pandas on a loaded frame.

All three answer the same question of the same rows: entries (their machine read) of a kind of
defect, and strokes, by machine and day over the last 90 days; and all machines by all kinds over a
year. The other two take what was logged as it is: no correction, no counter that was reset, days
in UTC, no interval; ours does all of it. Loading is not counted.
"""

import statistics
import tempfile
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pandas
from sqlalchemy import Engine, inspect, text

from tests.bench.measure import print_table, timed
from tests.bench.tracing_tables import DEFECTS, END, Size, build
from tracelog.buckets import Bucket
from tracelog.db import make_engine, reading
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rates import rates
from tracelog.trends.rules import By

ASKED = 9
DEFECT = DEFECTS[0]
_DAYS_90 = (END - timedelta(days=90), END)
_YEAR = (END - timedelta(days=365), END)
# Days as the raw events have them, in UTC; ours are the plant's.
_DUCK_DAYS = """
WITH found AS (
    SELECT machine, date_trunc('day', moment) AS day, sum(cans) AS cans FROM entries
    WHERE defect = $defect AND moment >= $start AND moment < $end GROUP BY ALL),
strokes AS (
    SELECT machine, date_trunc('day', moment) AS day, max(count) - min(count) AS strokes
    FROM readings WHERE moment >= $start AND moment < $end GROUP BY ALL)
SELECT machine, day, cans, strokes FROM strokes LEFT JOIN found USING (machine, day)
"""
_DUCK_ALL = """
WITH found AS (
    SELECT machine, defect, sum(cans) AS cans FROM entries
    WHERE moment >= $start AND moment < $end GROUP BY ALL),
strokes AS (
    SELECT machine, max(count) - min(count) AS strokes FROM readings
    WHERE moment >= $start AND moment < $end GROUP BY ALL)
SELECT machine, defect, cans, strokes FROM strokes LEFT JOIN found USING (machine)
"""


def print_comparing(part: int, databases: tuple[str, ...]) -> None:
    """Build the plant on SQLite, or use databases that hold it, and print what each takes.

    Args:
        part: one `part`-th of ten million entries, and a reading every `part` minutes.
        databases: addresses; one that is empty is filled and kept. None: one on SQLite.
    """
    with tempfile.TemporaryDirectory(prefix="tracelog-compare-") as name:
        for url in databases or (f"sqlite:///{Path(name) / 'compare.db'}",):
            engine = make_engine(url)
            if not inspect(engine).has_table("stroke_hours"):
                build(engine, Size(part))
            with patch("tracelog.instants.now", lambda: END + timedelta(minutes=5)):
                _print_one(engine, part)
            engine.dispose()


def _print_one(engine: Engine, part: int) -> None:
    entries, readings = _frames(engine)
    duck = _duck(entries, readings)
    rows = []
    for name, ours, theirs, frames in (
        (f"{DEFECT} by machine and day, 90 days", _ours_by_day, _DUCK_DAYS, _pandas_by_day),
        ("all machines by all kinds, a year", _ours_by_kind, _DUCK_ALL, _pandas_by_kind),
    ):
        period = _DAYS_90 if ours is _ours_by_day else _YEAR
        values: dict[str, Any] = dict(zip(("start", "end"), _without_zone(period), strict=True))
        if ours is _ours_by_day:
            values["defect"] = DEFECTS.index(DEFECT)
        own = _median_ms(partial(ours, engine))
        ducks = _median_ms(partial(_all_rows, duck, theirs, values))
        framed = _median_ms(partial(frames, entries, readings))
        rows.append(
            (
                name,
                f"{own:.1f}",
                f"{ducks:.1f}",
                f"{framed:.1f}",
                f"{own / ducks:.2f}",
                f"{own / framed:.2f}",
            )
        )
    print_table(
        f"Rates, {engine.dialect.name}: {len(entries):,} entries, {len(readings):,} readings,"
        f" one {part}-th of the big plant",
        ("question", "ours ms", "DuckDB ms", "pandas ms", "x DuckDB", "x pandas"),
        rows,
    )


def _median_ms(ask: Callable[[], Any]) -> float:
    ask()
    times = []
    for _each in range(ASKED):
        with timed() as taken:
            ask()
        times.append(taken.seconds * 1000)
    return statistics.median(times)


def _all_rows(duck: Any, statement: str, values: dict[str, Any]) -> Any:
    return duck.execute(statement, values).fetchall()


def _ours_by_day(engine: Engine) -> int:
    start, end = _DAYS_90
    return _asked(engine, RateQuestion(start, end, defects=(DEFECT,), bucket=Bucket.DAY))


def _ours_by_kind(engine: Engine) -> int:
    start, end = _YEAR
    return _asked(engine, RateQuestion(start, end, across=By.DEFECT))


def _asked(engine: Engine, question: RateQuestion) -> int:
    with reading(engine) as session:
        answer = rates(session, question)
    assert answer.rows
    return len(answer.rows)


def _pandas_by_day(entries: pandas.DataFrame, readings: pandas.DataFrame) -> Any:
    start, end = _without_zone(_DAYS_90)
    found = entries[
        (entries["moment"] >= start) & (entries["moment"] < end) & (entries["defect"] == 0)
    ].copy()
    found["day"] = found["moment"].dt.floor("D")
    cans = found.groupby(["machine", "day"])["cans"].sum()
    run = readings[(readings["moment"] >= start) & (readings["moment"] < end)].copy()
    run["day"] = run["moment"].dt.floor("D")
    counted = run.groupby(["machine", "day"])["count"]
    return (counted.max() - counted.min()).to_frame("strokes").join(cans)


def _pandas_by_kind(entries: pandas.DataFrame, readings: pandas.DataFrame) -> Any:
    start, end = _without_zone(_YEAR)
    found = entries[(entries["moment"] >= start) & (entries["moment"] < end)]
    cans = found.groupby(["machine", "defect"])["cans"].sum().unstack()
    counted = readings[(readings["moment"] >= start) & (readings["moment"] < end)].groupby(
        "machine"
    )
    return (counted["count"].max() - counted["count"].min()).to_frame("strokes").join(cans)


def _without_zone(period: tuple[datetime, datetime]) -> tuple[datetime, ...]:
    return tuple(instant.replace(tzinfo=None) for instant in period)


def _frames(engine: Engine) -> tuple[pandas.DataFrame, pandas.DataFrame]:
    """The raw events, machines and kinds as numbers."""
    with engine.connect() as connection:
        machines = _places(connection.execute(text("SELECT id FROM machines ORDER BY id")))
        kinds = _places(
            connection.execute(
                text(
                    "SELECT id FROM defect_types ORDER BY CASE defect "
                    + " ".join(f"WHEN '{name}' THEN {at}" for at, name in enumerate(DEFECTS))
                    + " END"
                )
            )
        )
        entries = _read(
            connection.execution_options(stream_results=True).execute(
                text(
                    "SELECT machine_id, defect_id, occurred_at, counted_occurrences"
                    " FROM current_entries"
                )
            ),
            ("machine", "defect", "moment", "cans"),
            {"machine": machines, "defect": kinds},
        )
        readings = _read(
            connection.execution_options(stream_results=True).execute(
                text("SELECT machine_id, read_at, strokes FROM readings")
            ),
            ("machine", "moment", "count"),
            {"machine": machines},
        )
    return entries, readings


def _places(rows: Any) -> dict[str, int]:
    return {str(row[0]).replace("-", ""): place for place, row in enumerate(rows)}


def _read(rows: Any, names: tuple[str, ...], places: dict[str, dict[str, int]]) -> pandas.DataFrame:
    def chunks() -> Iterator[pandas.DataFrame]:
        for some in rows.partitions(200_000):
            frame = pandas.DataFrame([tuple(row) for row in some], columns=list(names))
            for name, known in places.items():
                plain = frame[name].astype(str).str.replace("-", "")
                frame[name] = plain.map(known).astype("int16")
            frame["moment"] = pandas.to_datetime(frame["moment"], utc=True).dt.tz_localize(None)
            yield frame

    return pandas.concat(chunks(), ignore_index=True)


def _duck(entries: pandas.DataFrame, readings: pandas.DataFrame) -> Any:
    # Not a library of the tests: only this comparison wants it.
    import duckdb

    duck = duckdb.connect()
    duck.execute("SET threads TO 2")
    for name, frame in (("entries", entries), ("readings", readings)):
        duck.register("frame", frame)
        duck.execute(f"CREATE TABLE {name} AS SELECT * FROM frame")
        duck.unregister("frame")
    return duck
