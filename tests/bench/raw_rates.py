"""The two questions of rates, as DuckDB and pandas answer them over the raw events.

Days are those of UTC, and there is no interval; ours has the plant's days and an interval each.
"""

from datetime import timedelta
from typing import Any

from tests.bench.raw_events import RawEvents, between, strokes_of, without_zone
from tests.bench.tracing_tables import DEFECTS, END

DEFECT = DEFECTS[0]
DAYS_90 = (END - timedelta(days=90), END)
YEAR = (END - timedelta(days=365), END)
_BY_DAY = """
WITH found AS (
    SELECT machine, date_trunc('day', moment) AS day, sum(cans) AS cans FROM entries
    WHERE defect = $defect AND moment >= $start AND moment < $end GROUP BY ALL),
strokes AS (
    SELECT machine, date_trunc('day', moment) AS day, max(count) - min(count) AS strokes
    FROM readings WHERE moment >= $start AND moment < $end GROUP BY ALL)
SELECT machine, day, cans, strokes FROM strokes LEFT JOIN found USING (machine, day)
"""
_ALL = """
WITH found AS (
    SELECT machine, defect, sum(cans) AS cans FROM entries
    WHERE moment >= $start AND moment < $end GROUP BY ALL),
strokes AS (
    SELECT machine, max(count) - min(count) AS strokes FROM readings
    WHERE moment >= $start AND moment < $end GROUP BY ALL)
SELECT machine, defect, cans, strokes FROM strokes LEFT JOIN found USING (machine)
"""


def duck_by_day(raw: RawEvents) -> Any:
    """One kind by machine and day over 90 days."""
    start, end = without_zone(*DAYS_90)
    return raw.ask_duck(_BY_DAY, {"start": start, "end": end, "defect": DEFECTS.index(DEFECT)})


def duck_all(raw: RawEvents) -> Any:
    """All machines by all kinds over a year."""
    start, end = without_zone(*YEAR)
    return raw.ask_duck(_ALL, {"start": start, "end": end})


def pandas_by_day(raw: RawEvents) -> Any:
    """As `duck_by_day`."""
    start, end = without_zone(*DAYS_90)
    found = between(raw["entries"], start, end)
    found = found[found["defect"] == DEFECTS.index(DEFECT)]
    run = between(raw["readings"], start, end)
    keys = ["machine", "day"]
    cans = found.assign(day=found["moment"].dt.floor("D")).groupby(keys)["cans"].sum()
    strokes = strokes_of(run.assign(day=run["moment"].dt.floor("D")), keys)
    return strokes.to_frame("strokes").join(cans)


def pandas_all(raw: RawEvents) -> Any:
    """As `duck_all`."""
    start, end = without_zone(*YEAR)
    found = between(raw["entries"], start, end)
    cans = found.groupby(["machine", "defect"])["cans"].sum().unstack()
    strokes = strokes_of(between(raw["readings"], start, end), ["machine"])
    return strokes.to_frame("strokes").join(cans)
