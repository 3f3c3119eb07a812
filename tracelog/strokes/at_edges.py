"""Counted strokes of many machines up to the same few instants: the edges of days or shifts."""

import json
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import Integer, String, bindparam, cast, func, literal, select
from sqlalchemy.orm import Session

from tracelog.bulk import array_text, arrays_as_table
from tracelog.db import UtcInstant
from tracelog.instants import hour_of, next_hour
from tracelog.plant.models import Machine
from tracelog.strokes.hours import microseconds
from tracelog.strokes.models import StrokeHour
from tracelog.strokes.reaches import Reach
from tracelog.strokes.rules import Whole
from tracelog.strokes.totals import totals_within


def totals_at_edges(
    session: Session, zone: ZoneInfo, reached: Mapping[uuid.UUID, Reach], edges: Sequence[datetime]
) -> dict[uuid.UUID, Whole]:
    """Totals of machines at instants that are the same for all of them, as `Totals.at`.

    Args:
        session: an open session.
        zone: the plant's.
        reached: from `reaches`.
        edges: any number of instants, UTC.

    Returns:
        By machine one total for each edge. One statement: each machine's hours come as one text.
    """
    hours = [hour_of(edge, zone) for edge in edges]
    starts = np.array([microseconds(hour) for hour in hours], dtype=np.int64)
    ends = np.array([microseconds(next_hour(edge, zone)) for edge in edges], dtype=np.int64)
    moments = np.array([microseconds(edge) for edge in edges], dtype=np.int64)
    texts = _texts(session, hours) if reached and edges else {}
    found = {}
    for machine, reach in reached.items():
        counted = np.zeros((2, len(edges)), dtype=np.int64)
        if machine in texts:
            told = np.array(texts[machine].split(","), dtype=np.int64).reshape(-1, 3)
            counted[:, told[:, 0]] = told[:, 1:].T
        for place, hour in enumerate(hours if reach.rows else ()):
            if hour in reach.rows:
                row = reach.rows[hour]
                counted[:, place] = row.strokes, row.total_before
        found[machine] = totals_within(reach, moments, (starts, ends), (counted[0], counted[1]))
    return found


def _texts(session: Session, hours: Sequence[datetime]) -> dict[uuid.UUID, str]:
    """Place among the hours, strokes and total before, of all hours of each machine."""
    is_sqlite = session.get_bind().dialect.name == "sqlite"
    if is_sqlite:
        wanted = json.dumps([f"{hour.astimezone(UTC):%Y-%m-%d %H:%M:%S.%f}" for hour in hours])
        given = {"hours": wanted}
    else:
        given = {"hour": array_text(hours), "place": array_text(range(len(hours)))}
    rows = session.execute(_hours_query(is_sqlite=is_sqlite), given)
    return {machine: text for machine, text in rows if text is not None}


@cache
def _hours_query(*, is_sqlite: bool) -> Any:
    """The statement, made once; every machine looks up each of the hours by its key."""
    place: Any
    hour: Any
    if is_sqlite:
        each = func.json_each(bindparam("hours")).table_valued("key", "value")
        place, hour = each.c.key, cast(each.c.value, String)
    else:
        each = arrays_as_table(place=Integer, hour=UtcInstant)
        place, hour = each.c.place, each.c.hour
    comma = literal(",", String)
    told = [cast(one, String) for one in (place, StrokeHour.strokes, StrokeHour.total_before)]
    text = func.aggregate_strings(told[0] + comma + told[1] + comma + told[2], ",")
    same = (StrokeHour.machine_id == Machine.id) & (StrokeHour.hour_at == hour)
    # An outer join, so that no plan reads all hours of a machine; hours that are not there are
    # no text, and left out.
    asked = select(text).select_from(each).join(StrokeHour, same, isouter=True)
    asked = asked.correlate(Machine)
    return select(Machine.id, asked.scalar_subquery())
