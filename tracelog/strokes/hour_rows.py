"""Look-ups of rows of the hours."""

import uuid
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.strokes.models import StrokeHour
from tracelog.strokes.timelines import joined

_HOURS_AT_ONCE = 8_000


@dataclass(frozen=True)
class HourRow:
    """One row of the hours: strokes in the hour, and all before it."""

    strokes: int
    total_before: int


def hour_rows(
    session: Session, asked: Mapping[uuid.UUID, Collection[datetime]]
) -> dict[tuple[uuid.UUID, datetime], HourRow]:
    """Rows of the hours that start at exactly these instants, by machine and start.

    One statement for every few thousand rows; machines asked for the same hours share it.
    """
    alike: dict[frozenset[datetime], list[uuid.UUID]] = {}
    for machine, hours in asked.items():
        if hours:
            alike.setdefault(frozenset(hours), []).append(machine)
    wanted = [
        (part, machines)
        for hours, machines in alike.items()
        for part in pieces(sorted(hours), _HOURS_AT_ONCE)
    ]
    found: dict[tuple[uuid.UUID, datetime], HourRow] = {}
    for group in _of_size(wanted):
        for row in joined(session, group, _rows_query):
            found[row[0], row[1]] = HourRow(row[2], row[3])
    return found


def _rows_query(wanted: tuple[list[datetime], list[uuid.UUID]]) -> Any:
    hours, machines = wanted
    return select(
        StrokeHour.machine_id, StrokeHour.hour_at, StrokeHour.strokes, StrokeHour.total_before
    ).where(StrokeHour.machine_id.in_(machines), StrokeHour.hour_at.in_(hours))


def _of_size(
    wanted: Iterable[tuple[list[datetime], list[uuid.UUID]]],
) -> Iterable[list[tuple[list[datetime], list[uuid.UUID]]]]:
    """Groups that one statement can ask for: engines bound its number of values."""
    group: list[tuple[list[datetime], list[uuid.UUID]]] = []
    size = 0
    for hours, machines in wanted:
        if group and size + len(hours) > _HOURS_AT_ONCE:
            yield group
            group, size = [], 0
        group.append((hours, machines))
        size += len(hours)
    if group:
        yield group
