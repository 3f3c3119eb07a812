"""Look-ups of rows of the hours."""

import json
import uuid
from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import (
    Integer,
    Uuid,
    bindparam,
    func,
    literal_column,
    select,
)
from sqlalchemy.orm import Session

from tracelog.bulk import array_text, arrays_as_table, pieces
from tracelog.db import UtcInstant
from tracelog.strokes.models import StrokeHour

_ROWS_AT_ONCE = 50_000


class HourRow(NamedTuple):
    """One row of the hours: strokes in the hour, and all before it."""

    strokes: int
    total_before: int


def hour_rows(
    session: Session, asked: Mapping[uuid.UUID, Collection[datetime]]
) -> dict[tuple[uuid.UUID, datetime], HourRow]:
    """Rows of the hours that start at exactly these instants, by machine and start.

    One statement for every fifty thousand.
    """
    wanted = [(machine, hour) for machine, hours in asked.items() for hour in hours]
    is_sqlite = session.get_bind().dialect.name == "sqlite"
    given = _as_text if is_sqlite else _as_arrays
    found: dict[tuple[uuid.UUID, datetime], HourRow] = {}
    for piece in pieces(wanted, _ROWS_AT_ONCE):
        rows = session.execute(_rows_query(is_sqlite=is_sqlite), given(piece))
        for number, strokes, total_before in rows:
            found[piece[number]] = HourRow(strokes, total_before)
    return found


@cache
def _rows_query(*, is_sqlite: bool) -> Any:
    """The statement, made once: it tells the place of each row in what is asked for."""
    machine: Any
    hour: Any
    number: Any
    if is_sqlite:
        # As one text, since SQLite takes no arrays and only some thousands of values.
        each = func.json_each(bindparam("wanted")).table_valued("key", "value")
        machine, hour, number = (
            func.json_extract(each.c.value, literal_column("'$[0]'"), type_=Uuid),
            func.json_extract(each.c.value, literal_column("'$[1]'"), type_=UtcInstant),
            each.c.key,
        )
    else:
        each = arrays_as_table(number=Integer, machine=Uuid, hour=UtcInstant)
        machine, hour, number = each.c.machine, each.c.hour, each.c.number
    same = (StrokeHour.machine_id == machine) & (StrokeHour.hour_at == hour)
    rows = select(number, StrokeHour.strokes, StrokeHour.total_before)
    return rows.select_from(each).join(StrokeHour, same)


def _as_text(wanted: Collection[tuple[uuid.UUID, datetime]]) -> dict[str, Any]:
    """Instants and ids as the tables of SQLite hold them."""
    kept = {hour: f"{hour.astimezone(UTC):%Y-%m-%d %H:%M:%S.%f}" for _machine, hour in wanted}
    return {"wanted": json.dumps([(machine.hex, kept[hour]) for machine, hour in wanted])}


def _as_arrays(wanted: Collection[tuple[uuid.UUID, datetime]]) -> dict[str, Any]:
    return {
        "number": array_text(range(len(wanted))),
        "machine": array_text(machine for machine, _hour in wanted),
        "hour": array_text(hour for _machine, hour in wanted),
    }
