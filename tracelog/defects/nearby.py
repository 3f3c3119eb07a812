"""The entries of a machine nearest to an instant."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import bindparam, select, union_all
from sqlalchemy.orm import Session

from tracelog.db import UtcInstant
from tracelog.defects.models import CurrentEntry, EntryCorrection
from tracelog.defects.queries import EntryView, entry_view
from tracelog.defects.selecting import (
    ROW_COLUMNS,
    ROW_NAMES,
    Choice,
    EntryFilter,
    Row,
    rows_as_of,
    surroundings,
)


@dataclass(frozen=True)
class Nearby:
    """The nearest entries, the latest first, and whether there are more in the period."""

    entries: tuple[EntryView, ...]
    is_cut: bool


def entries_around(
    session: Session,
    machine_id: uuid.UUID,
    moment: datetime,
    period: tuple[datetime, datetime],
    as_of: datetime,
    most: int,
) -> Nearby:
    """The entries of a machine nearest to an instant, by when they count.

    Three statements beside vocabulary and directory.

    Args:
        session: an open session.
        machine_id: of this machine.
        moment: UTC.
        period: start, and end (not included), UTC: nothing outside it counts.
        as_of: UTC; only what was known by then.
        most: how many at most.
    """
    around = surroundings(session, as_of)
    start, end = period
    # One bound on each side, or a planner may take the looser one to the index.
    known_to = as_of + timedelta(microseconds=1)
    given: dict[str, Any] = {
        "machine_id": machine_id,
        "start": start,
        "before": min(moment, known_to),
    }
    given |= {"moment": moment, "end": min(end, known_to)}
    found: list[Row] = [
        dict(zip(ROW_NAMES, row, strict=True))
        for row in session.execute(_around(most + 1), given | {"as_of": as_of})
    ]
    asked = EntryFilter(start, end, machine_ids=(machine_id,), as_of=as_of)
    found += rows_as_of(session, Choice.of(asked, around), around)
    nearest = sorted(found, key=lambda row: (abs(row["occurred_at"] - moment), row["entry_id"]))
    return Nearby(
        tuple(entry_view(row, around) for row in _latest_first(nearest[:most])),
        len(found) > most,
    )


def _latest_first(rows: Iterable[Row]) -> list[Row]:
    return sorted(rows, key=lambda row: (row["occurred_at"], row["entry_id"]), reverse=True)


@cache
def _around(most: int) -> Any:
    """The nearest before, and after, that are what was known: made once, what is asked for open."""
    row = CurrentEntry
    as_of: Any = bindparam("as_of", type_=UtcInstant())
    corrected = select(EntryCorrection.entry_id).where(EntryCorrection.corrected_at > as_of)
    asked = select(*ROW_COLUMNS).where(
        row.machine_id == bindparam("machine_id"),
        row.logged_at <= as_of,
        row.entry_id.not_in(corrected),
    )
    sides = (
        asked.where(row.occurred_at >= bindparam("start"), row.occurred_at < bindparam("before"))
        .order_by(row.occurred_at.desc(), row.entry_id.desc())
        .limit(most),
        asked.where(row.occurred_at >= bindparam("moment"), row.occurred_at < bindparam("end"))
        .order_by(row.occurred_at, row.entry_id)
        .limit(most),
    )
    return union_all(*(select(side.subquery()) for side in sides))
