"""Reads of how much was logged, from tallies as far as they go and from entries at the ends."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, func, literal, select, union_all
from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, Period
from tracelog.db import UtcInstant
from tracelog.defects.models import CurrentEntry, EntryTally
from tracelog.defects.selecting import Choice, EntryKind, Surroundings
from tracelog.defects.tallies.rules import DAY, MONTH, cut, whole_day_without
from tracelog.plant.models import Machine
from tracelog.plant.stretches import Stretch, sums_within

# What a tally tells entries apart by.
_TOLD = frozenset({"machine_id", "line_id", "defect_id"})
_OF_MONTHS = frozenset({Bucket.MONTH, Bucket.QUARTER, None})
_OF_DAYS = frozenset({Bucket.DAY, Bucket.WEEK}) | _OF_MONTHS

Tallied = tuple[datetime | None, tuple[Any, ...], list[int]]


def are_tallied(choice: Choice, names: Iterable[str], bucket: Bucket | None) -> bool:
    """Whether tallies hold what is asked for: of settled entries, as they stand now.

    Args:
        choice: which entries.
        names: columns of `current_entries` that they are told apart by.
        bucket: None: not by time.
    """
    asked = choice.asked
    return (
        asked.start is not None
        and asked.end is not None
        and asked.as_of is None
        and asked.kind is not EntryKind.ALL
        and (asked.found_at, asked.coil, asked.pallet) == (None, None, None)
        and bucket in _OF_DAYS
        and _TOLD.issuperset(names)
    )


def tallied(
    session: Session,
    choice: Choice,
    around: Surroundings,
    zone: ZoneInfo,
    columns: tuple[Sequence[str], Sequence[str]],
    bucket: Bucket | None,
) -> Iterator[Tallied]:
    """Settled entries of a choice for which `are_tallied` holds, added up. One statement.

    Args:
        session, around: as for `selecting.rows_as_of`.
        choice: which entries; those that are not settled are left out.
        zone: the plant's.
        columns: those that they are told apart by, and those that are added up.
        bucket: None: not by time.

    Returns:
        An instant within the bucket (None without one), the values of the first columns, and the
        sums of the others with the number of entries; a group may come in several parts.
    """
    names, measures = columns
    start, end = choice.asked.start, choice.asked.end
    if start is None or end is None:
        raise ValueError("tallies are of a period: start and end")
    if choice.asked.is_settled is False:
        return
    parts = cut(start, end, zone, by_month=bucket in _OF_MONTHS)
    tables = [
        *(_of_tallies(choice, around, MONTH, one, names, measures) for one in parts.months),
        *(_of_tallies(choice, around, DAY, one, names, measures) for one in parts.days),
        *(
            table
            for one in parts.rest
            for table in _of_part_of_day(choice, around, zone, one, names, measures)
        ),
    ]
    if not tables:
        return
    every = union_all(*tables).subquery()
    groups = [every.c[name] for name in (("start_at", *names) if bucket else names)]
    sums = [func.sum(every.c[name]) for name in (*measures, "entries")]
    # What was taken off a whole day may leave nothing of it.
    asked = select(*groups, *sums).group_by(*groups).having(sums[-1] > 0)
    first = 1 if bucket else 0
    for row in session.execute(asked):
        yield (
            row[0] if bucket else None,
            tuple(row[first : len(groups)]),
            [int(value) for value in row[len(groups) :]],
        )


def _of_tallies(
    choice: Choice,
    around: Surroundings,
    length: str,
    stretch: Period,
    names: Sequence[str],
    measures: Sequence[str],
) -> Select[Any]:
    asked = select(
        *(
            Machine.line_id if name == "line_id" else getattr(EntryTally, name)
            for name in ("start_at", *names, *measures, "entries")
        )
    )
    if "line_id" in names:
        asked = asked.join(Machine, Machine.id == EntryTally.machine_id)
    kinds = choice.defect_ids
    # All of them by name, so that each is a search in the key.
    return asked.where(
        EntryTally.machine_id.in_(_machines(choice, around)),
        EntryTally.defect_id.in_(sorted(around.by_id if kinds is None else kinds)),
        EntryTally.is_sample.is_(choice.asked.kind is EntryKind.SAMPLE),
        EntryTally.length == length,
        EntryTally.start_at >= stretch.start,
        EntryTally.start_at < stretch.end,
    )


def _machines(choice: Choice, around: Surroundings) -> list[Any]:
    wanted = choice.asked.machine_ids
    return sorted(
        machine.id
        for machine in around.directory.machines.values()
        if (wanted is None or machine.id in wanted)
        and (choice.asked.line is None or machine.line == choice.asked.line)
    )


def _of_part_of_day(
    choice: Choice,
    around: Surroundings,
    zone: ZoneInfo,
    stretch: Period,
    names: Sequence[str],
    measures: Sequence[str],
) -> Iterator[Select[Any]]:
    """A stretch within one day: its entries, or the day's tally less the entries beside it.

    Whichever reads fewer. A period that ends now, in the afternoon, is a whole day less an evening
    of which there is nothing yet.
    """
    whole = whole_day_without(stretch, zone)
    if whole is None:
        yield _of_entries(choice, stretch, names, measures)
        return
    day, left = whole
    yield _of_tallies(choice, around, DAY, day, names, measures)
    for one in left:
        yield _of_entries(choice, one, names, measures, sign=-1)


def _of_entries(
    choice: Choice,
    stretch: Period,
    names: Sequence[str],
    measures: Sequence[str],
    sign: int = 1,
) -> Select[Any]:
    """The entries themselves of a stretch within one day, added or taken off."""
    asked = replace(choice.asked, start=stretch.start, end=stretch.end, is_settled=True)
    told = [getattr(CurrentEntry, name) for name in names]
    counted = [(sign * getattr(CurrentEntry, name)).label(name) for name in measures]
    return select(
        literal(stretch.start, UtcInstant()).label("start_at"),
        *told,
        *counted,
        literal(sign).label("entries"),
    ).where(*replace(choice, asked=asked).conditions())


def sums_of_days(
    session: Session, stretches: Sequence[Stretch], around: Surroundings
) -> list[tuple[int, int]]:
    """Entries and cans of machines in stretches of whole days, samples with them.

    One statement, none without stretches.

    Args:
        session: an open session.
        stretches: each of a machine, from one midnight of the plant's clock to another.
        around: for all kinds of defect.
    """
    found = sums_within(
        session,
        stretches,
        EntryTally.machine_id,
        EntryTally.start_at,
        [EntryTally.entries, EntryTally.cans],
        [
            EntryTally.defect_id.in_(sorted(around.by_id)),
            EntryTally.is_sample.in_([False, True]),
            EntryTally.length == DAY,
        ],
    )
    return [(entries, cans) for _rows, entries, cans in found]
