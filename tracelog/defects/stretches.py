"""Entries inside many stretches of machines' time: how many, how many cans, and the latest."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from tracelog.defects.models import CurrentEntry, EntryCorrection
from tracelog.defects.queries import EntryView, entry_view
from tracelog.defects.selecting import (
    ROW_COLUMNS,
    Choice,
    EntryFilter,
    Row,
    chosen_rows,
    rows_as_of,
    surroundings,
    unaltered,
)
from tracelog.plant.stretches import Stretch, nearest_keys, sums_within

_MOMENT = CurrentEntry.occurred_at
_OWNER = CurrentEntry.machine_id


@dataclass(frozen=True)
class Logged:
    """What was logged of one stretch: entries, and the cans in them."""

    entries: int
    cans: int


@dataclass(frozen=True)
class LoggedWithin:
    """What was logged of each stretch, in order, and the latest entries of all."""

    each: tuple[Logged, ...]
    latest: tuple[EntryView, ...]
    total: int


def logged_within(
    session: Session, stretches: Sequence[Stretch], as_of: datetime, most: int
) -> LoggedWithin:
    """Count the entries of stretches in the database, and read the latest of them.

    Args:
        session: an open session.
        stretches: of machines; an entry counts where its machine's can was made. Where two
            overlap, an entry in both counts in both, and is listed once.
        as_of: UTC; only what was known by then.
        most: how many entries at most are read.

    Returns:
        A fixed number of statements.
    """
    around = surroundings(session, as_of)
    is_all = _is_all(session, as_of)
    conditions = [] if is_all else unaltered(as_of)
    counted = sums_within(session, stretches, _OWNER, _MOMENT, [CurrentEntry.cans], conditions)
    sums = [list(one) for one in counted]
    keys = nearest_keys(
        *(session, stretches, [one[0] for one in counted]),
        *((_OWNER, _MOMENT, CurrentEntry.entry_id), most),
        latest=True,
        conditions=conditions,
    )
    chosen = [key for _moment, key in keys]
    rows: list[Row] = []
    if chosen:
        asked = select(*ROW_COLUMNS).where(CurrentEntry.entry_id.in_(chosen))
        rows += chosen_rows(session, asked)
    anew = (
        [] if is_all else rows_as_of(session, Choice.of(EntryFilter(as_of=as_of), around), around)
    )
    anew = [row for row in anew if _add(row, stretches, sums)]
    rows.sort(key=lambda row: (row["occurred_at"], row["entry_id"]))
    latest = tuple(entry_view(row, around) for row in rows[::-1][:most])
    each = tuple(Logged(*one) for one in sums)
    return LoggedWithin(each, latest, sum(one.entries for one in each))


def _add(row: Row, stretches: Sequence[Stretch], sums: Sequence[list[int]]) -> bool:
    """Count an entry that stood otherwise then; whether any stretch holds it."""
    holds = [
        place
        for place, one in enumerate(stretches)
        if one.owner_id == row["machine_id"] and one.start <= row["occurred_at"] < one.end
    ]
    for place in holds:
        sums[place][0] += 1
        sums[place][1] += row["cans"]
    return bool(holds)


def _is_all(session: Session, as_of: datetime) -> bool:
    """Whether all entries stand as they stood at an instant, so that none need be left out."""
    logged_later = select(func.max(CurrentEntry.logged_at) > as_of).scalar_subquery()
    corrected_later = exists().where(EntryCorrection.corrected_at > as_of)
    found = session.execute(select(logged_later, corrected_later)).one()
    return not any(found)
