"""Floor, dossier, explanation and signals: the same bare figures, by pandas on loaded frames."""

from datetime import datetime, timedelta
from math import log
from typing import Any

import numpy as np
import pandas

from tests.bench.raw_events import RawEvents, between, strokes_of, without_zone
from tests.bench.raw_pages import HALF_A_YEAR, RATIO, TOLD_ABOVE, WEEKS_8
from tests.bench.tracing_tables import DEFECTS, END, NUMBERS

_HOUR = timedelta(hours=1)


def _count_before(own: pandas.DataFrame, moment: datetime) -> Any:
    """The last count of one machine's readings within an hour."""
    return between(own, moment - _HOUR, moment + timedelta(microseconds=1))["count"].max()


def pandas_floor(raw: RawEvents) -> Any:
    """As `raw_pages.duck_floor`."""
    start, end = without_zone(END - timedelta(days=1), END + timedelta(minutes=5))
    today = between(raw["readings"], start, end).groupby("machine")["count"]
    found = between(raw["entries"], start, end).groupby("machine")["cans"]
    shown = pandas.DataFrame({"count": today.max(), "strokes": today.max() - today.min()})
    shown = shown.join(found.agg(["count", "sum"]), rsuffix="_entries")
    done = raw["services"].groupby(["machine", "service"])["moment"].max().reset_index()
    by_machine = dict(tuple(raw["readings"].groupby("machine")))
    done["since"] = [
        shown["count"][one.machine] - _count_before(by_machine[one.machine], one.moment)
        for one in done.itertuples()
    ]
    return shown, done


def pandas_dossier(raw: RawEvents, machine: int, at: datetime) -> Any:
    """As `raw_pages.duck_dossier`."""
    moment = without_zone(at)[0]
    readings = raw["readings"][raw["readings"]["machine"] == machine]
    entries = raw["entries"][raw["entries"]["machine"] == machine]
    fits, runs, services = raw["fits"], raw["runs"], raw["services"]
    inside = (fits["machine"] == machine) & (fits["fitted"] <= moment)
    own = fits[inside & (fits["removed"].isna() | (fits["removed"] > moment))].copy()
    own["before"] = [_count_before(readings, one) for one in own["fitted"]]
    on_line = runs["line"] == machine // NUMBERS + 1
    coil = runs[on_line & (runs["started"] <= moment) & (runs["ended"] > moment)]
    done = services[(services["machine"] == machine) & (services["moment"] <= moment)]
    before = between(entries, moment - timedelta(days=28), moment).groupby("defect")["cans"]
    near = between(entries, moment - 12 * _HOUR, moment + 12 * _HOUR).sort_values("moment")
    return (
        _count_before(readings, moment),
        own,
        coil,
        done.groupby("service")["moment"].max(),
        before.agg(["count", "sum"]),
        near.head(60),
    )


def pandas_explain(raw: RawEvents, defect: str) -> Any:
    """As `raw_pages.duck_explain`."""
    first, start, end = without_zone(END - WEEKS_8 - HALF_A_YEAR, END - WEEKS_8, END)
    readings = between(raw["readings"], first, end)
    entries = between(raw["entries"], first, end)
    entries = entries[entries["defect"] == DEFECTS.index(defect)]
    keys = ["machine", "hour"]
    strokes = strokes_of(readings.assign(hour=readings["moment"].dt.floor("h")), keys)
    cans = entries.assign(hour=entries["moment"].dt.floor("h")).groupby(keys)["cans"].sum()
    cells = strokes.to_frame("strokes").join(cans).fillna({"cans": 0}).reset_index()
    cells["is_asked"] = cells["hour"] >= start
    cells["band"] = cells["hour"].dt.hour
    cells["line"] = cells["machine"] // NUMBERS + 1
    cells = cells.sort_values("hour")
    coils = pandas.merge_asof(
        cells,
        raw["runs"].astype({"line": cells["line"].dtype}).sort_values("started"),
        left_on="hour",
        right_on="started",
        by="line",
    )
    tools = [
        pandas.merge_asof(
            cells, fits.sort_values("fitted"), left_on="hour", right_on="fitted", by="machine"
        )
        for _position, fits in raw["fits"].groupby("position")
    ]
    sums = ["cans", "strokes"]
    return (
        cells.groupby(["machine", "is_asked"])[sums].sum(),
        cells.groupby(["band", "is_asked"])[sums].sum(),
        coils.groupby(["coil", "is_asked"])[sums].sum(),
        pandas.concat(tools).groupby(["tool", "is_asked"])[sums].sum(),
    )


def pandas_signals(raw: RawEvents) -> Any:
    """As `raw_pages.duck_signals`."""
    readings, entries = raw["readings"], raw["entries"]
    strokes = strokes_of(readings, [readings["machine"], readings["moment"].dt.floor("D")])
    keys = [entries["machine"], entries["defect"], entries["moment"].dt.floor("D")]
    cans = entries.groupby(keys)["cans"].sum().unstack("defect", fill_value=0)
    cans = cans.reindex(strokes.index, fill_value=0)
    rates = cans.groupby("machine").sum().div(strokes.groupby("machine").sum(), axis=0)
    expected = rates.reindex(strokes.index.get_level_values("machine")).to_numpy()
    steps = cans * log(RATIO) - (RATIO - 1) * expected * strokes.to_numpy()[:, np.newaxis]
    total = steps.groupby("machine").cumsum()
    above = (total - total.groupby("machine").cummin()).groupby("machine").last()
    stacked = above.stack()
    return stacked[stacked > TOLD_ABOVE]
