"""Entries inside many stretches of machines' time: how many, how many cans, and the latest."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from tracelog.defects.models import CurrentEntry, EntryCorrection
from tracelog.defects.queries import EntryView, entry_view
from tracelog.defects.selecting import (
    ROW_COLUMNS,
    Choice,
    EntryFilter,
    Row,
    Surroundings,
    chosen_rows,
    rows_as_of,
    surroundings,
    unaltered,
)
from tracelog.defects.tallies.queries import sums_of_days
from tracelog.defects.tallies.rules import cut
from tracelog.plant.queries import the_plant
from tracelog.plant.stretches import Stretch, nearest_keys, sums_within

# Shorter ones have too few whole days to be worth another statement.
_LONG = timedelta(days=7)
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
    if is_all:
        sums = _counted(session, stretches, around)
    else:
        counted = sums_within(session, stretches, _OWNER, _MOMENT, [CurrentEntry.cans], conditions)
        sums = [list(one) for one in counted]
    keys = nearest_keys(
        *(session, stretches, [one[0] for one in sums]),
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


def _counted(
    session: Session, stretches: Sequence[Stretch], around: Surroundings
) -> list[list[int]]:
    """Entries and cans of each stretch as all stand now: whole days of long ones from tallies."""
    zone = the_plant(session).zone
    places, of_entries, days = [], [], []
    for place, one in enumerate(stretches):
        if one.end - one.start < _LONG:
            places.append(place)
            of_entries.append(one)
            continue
        parts = cut(one.start, one.end, zone, by_month=False)
        for part in parts.rest:
            places.append(place)
            of_entries.append(Stretch(one.owner_id, part.start, part.end))
        days += [(place, Stretch(one.owner_id, part.start, part.end)) for part in parts.days]
    counted = sums_within(session, of_entries, _OWNER, _MOMENT, [CurrentEntry.cans])
    tallied = sums_of_days(session, [one for _place, one in days], around)
    sums = [[0, 0] for _ in stretches]
    for place, (entries, cans) in [
        *zip(places, counted, strict=True),
        *zip((place for place, _one in days), tallied, strict=True),
    ]:
        sums[place][0] += entries
        sums[place][1] += cans
    return sums


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
