"""Floor, dossier, explanation and signals: their bare figures, by DuckDB over the raw events.

Only the figures, as somebody who knows the tables would ask for them: no name, no permission, no
correction, no interval, no probability of a cause, no budget of false signals, no page.
"""

from datetime import datetime, timedelta
from typing import Any

from tests.bench.raw_events import RawEvents, without_zone
from tests.bench.tracing_tables import DEFECTS, END, NUMBERS

WEEKS_8, HALF_A_YEAR = timedelta(days=56), timedelta(days=182)
# A rise to twice the rate is looked for, told above so many nats.
RATIO, TOLD_ABOVE = 2.0, 5.0
# What each machine made today, was found on it, and made since the last service of each kind.
_FLOOR = """
WITH done AS (SELECT machine, service, max(moment) AS moment FROM services GROUP BY ALL),
at_service AS (
    SELECT done.machine, service, max(count) AS before FROM done JOIN readings
    ON readings.machine = done.machine AND readings.moment <= done.moment
        AND readings.moment > done.moment - INTERVAL 1 HOUR
    GROUP BY ALL),
today AS (
    SELECT machine, max(count) AS count, max(count) - min(count) AS strokes FROM readings
    WHERE moment >= $start AND moment < $end GROUP BY ALL),
found AS (
    SELECT machine, count(*) AS entries, sum(cans) AS cans FROM entries
    WHERE moment >= $start AND moment < $end GROUP BY ALL)
SELECT machine, strokes, entries, cans, service, count - before FROM today
LEFT JOIN found USING (machine) LEFT JOIN at_service USING (machine)
"""
_COUNT_AT = """
SELECT max(count) FROM readings
WHERE machine = $machine AND moment <= $at AND moment > $at - INTERVAL 1 HOUR
"""
_TOOLS_AT = """
WITH own AS (
    SELECT * FROM fits
    WHERE machine = $machine AND fitted <= $at AND (removed IS NULL OR removed > $at))
SELECT tool, position, max(count) FROM own LEFT JOIN readings
ON readings.machine = own.machine AND moment <= fitted AND moment > fitted - INTERVAL 1 HOUR
GROUP BY ALL
"""
_COIL_AT = "SELECT coil FROM runs WHERE line = $line AND started <= $at AND ended > $at"
_SERVICES_AT = """
SELECT service, max(moment) FROM services WHERE machine = $machine AND moment <= $at GROUP BY ALL
"""
_DEFECTS_BEFORE = """
SELECT defect, count(*), sum(cans) FROM entries
WHERE machine = $machine AND moment <= $at AND moment > $at - INTERVAL 28 DAY GROUP BY ALL
"""
_NEAR = """
SELECT moment, defect, cans FROM entries
WHERE machine = $machine AND moment BETWEEN $at - INTERVAL 12 HOUR AND $at + INTERVAL 12 HOUR
ORDER BY moment LIMIT 60
"""
# Cans and strokes of each machine, coil, tool and hour of the day, in the period and before it.
_EXPLAIN = """
WITH strokes AS (
    SELECT machine, date_trunc('hour', moment) AS hour, max(count) - min(count) AS strokes
    FROM readings WHERE moment >= $first AND moment < $end GROUP BY ALL),
found AS (
    SELECT machine, date_trunc('hour', moment) AS hour, sum(cans) AS cans FROM entries
    WHERE defect = $defect AND moment >= $first AND moment < $end GROUP BY ALL),
cells AS (
    SELECT machine, hour, hour >= $start AS is_asked, strokes, coalesce(cans, 0) AS cans
    FROM strokes LEFT JOIN found USING (machine, hour))
SELECT 'machine' AS cause, machine::VARCHAR AS name, is_asked, sum(cans), sum(strokes)
FROM cells GROUP BY ALL
UNION ALL
SELECT 'hour', hour(hour)::VARCHAR, is_asked, sum(cans), sum(strokes) FROM cells GROUP BY ALL
UNION ALL
SELECT 'tool', tool::VARCHAR, is_asked, sum(cans), sum(strokes) FROM cells JOIN fits
ON cells.machine = fits.machine AND hour >= fitted AND (removed IS NULL OR hour < removed)
GROUP BY ALL
UNION ALL
SELECT 'coil', coil, is_asked, sum(cans), sum(strokes) FROM cells JOIN runs
ON runs.line = cells.machine // $numbers + 1 AND hour >= started AND hour < ended GROUP BY ALL
"""
# Page's sum of logarithmic likelihoods of Poisson counts as it ends, of every machine and kind.
_SIGNALS = """
WITH days AS (
    SELECT machine, date_trunc('day', moment) AS day, max(count) - min(count) AS strokes
    FROM readings GROUP BY ALL),
found AS (
    SELECT machine, defect, date_trunc('day', moment) AS day, sum(cans) AS cans FROM entries
    GROUP BY ALL),
cells AS (
    SELECT days.machine, kinds.defect, days.day, strokes, coalesce(cans, 0) AS cans
    FROM days CROSS JOIN (SELECT DISTINCT defect FROM entries) AS kinds
    LEFT JOIN found ON found.machine = days.machine AND found.defect = kinds.defect
        AND found.day = days.day),
usual AS (SELECT machine, defect, sum(cans) / sum(strokes) AS rate FROM cells GROUP BY ALL),
summed AS (
    SELECT machine, defect, day,
        sum(cans * ln($ratio) - ($ratio - 1) * strokes * rate)
            OVER (PARTITION BY machine, defect ORDER BY day) AS total
    FROM cells JOIN usual USING (machine, defect)),
lowest AS (
    SELECT *, min(total) OVER (PARTITION BY machine, defect ORDER BY day) AS low FROM summed)
SELECT machine, defect, total - low FROM lowest
QUALIFY row_number() OVER (PARTITION BY machine, defect ORDER BY day DESC) = 1
    AND total - low > $above
"""


def duck_floor(raw: RawEvents) -> Any:
    """Strokes and entries of the last day, and strokes since each kind of service."""
    start, end = without_zone(END - timedelta(days=1), END + timedelta(minutes=5))
    return raw.ask_duck(_FLOOR, {"start": start, "end": end})


def duck_dossier(raw: RawEvents, machine: int, at: datetime) -> Any:
    """Count, tools with their counts when fitted, coil, services, defects before and near.

    `machine`: its place; `at` with zone.
    """
    values = {"machine": machine, "at": without_zone(at)[0]}
    return (
        raw.ask_duck(_COUNT_AT, values),
        raw.ask_duck(_TOOLS_AT, values),
        raw.ask_duck(_COIL_AT, {"line": machine // NUMBERS + 1, "at": values["at"]}),
        raw.ask_duck(_SERVICES_AT, values),
        raw.ask_duck(_DEFECTS_BEFORE, values),
        raw.ask_duck(_NEAR, values),
    )


def duck_explain(raw: RawEvents, defect: str) -> Any:
    """Rates of what might be the cause, in eight weeks and in the half year before."""
    first, start, end = without_zone(END - WEEKS_8 - HALF_A_YEAR, END - WEEKS_8, END)
    values = {"first": first, "start": start, "end": end, "numbers": NUMBERS}
    return raw.ask_duck(_EXPLAIN, values | {"defect": DEFECTS.index(defect)})


def duck_signals(raw: RawEvents) -> Any:
    """Machines and kinds whose sums stand above the limit at the end."""
    return raw.ask_duck(_SIGNALS, {"ratio": RATIO, "above": TOLD_ABOVE})
