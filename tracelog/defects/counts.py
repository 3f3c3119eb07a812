"""Counts of the log: occurrences in running production, and defective cans in samples.

The two are never mixed in one figure: the exposure of the first is strokes, that of the second
the cans inspected.
"""

import uuid
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import ColumnElement, Integer, func, literal, literal_column, select
from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, Period, period_of, periods
from tracelog.db import UtcInstant
from tracelog.defects.models import CurrentEntry
from tracelog.defects.selecting import (
    Choice,
    EntryFilter,
    EntryKind,
    Surroundings,
    rows_as_of,
    surroundings,
    unaltered,
)
from tracelog.defects.tallies.queries import Tallied, are_tallied, tallied
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import PlantView, the_plant

By = Literal["machine", "line", "defect", "found_at", "coil", "pallet", "mark", "bucket"]
_MOST_PERIODS = 10_000
_COLUMNS: dict[By, str] = {
    "machine": "machine_id",
    "line": "line_id",
    "defect": "defect_id",
    "found_at": "found_at",
    "coil": "coil",
    "pallet": "pallet",
    "mark": "mark",
}
# Columns that a row tells by another name.
_TOLD_AS = {"line_id": "line", "defect_id": "defect"}
# In which order rows come; the first is the bucket's.
_STANDING = ("", "line_id", "machine_id", "defect_id", "found_at", "coil", "pallet", "mark")


@dataclass(frozen=True, kw_only=True)
class Group:
    """What the entries of one row have in common; None: not asked for, or not known.

    `bucket_start` is the instant (UTC) at which the bucket starts.
    """

    bucket_start: datetime | None = None
    line: int | None = None
    machine_id: uuid.UUID | None = None
    defect: str | None = None
    found_at: str | None = None
    coil: str | None = None
    pallet: str | None = None
    mark: str | None = None


@dataclass(frozen=True, kw_only=True)
class ProductionCount(Group):
    """What was found in running production.

    `counted_occurrences` is what rates count, `cans` what was lost, `entries` how many reports.
    """

    counted_occurrences: int
    cans: int
    entries: int


@dataclass(frozen=True, kw_only=True)
class SampleCount(Group):
    """What inspected samples showed: `cans` of `inspected` were bad, in `samples` entries.

    A sample that showed two kinds of defect is two entries, each with the cans inspected; add up
    samples of one kind of defect only.
    """

    inspected: int
    cans: int
    samples: int


def production_counts(
    session: Session,
    asked: EntryFilter,
    by: Sequence[By] = ("machine", "defect"),
    bucket: Bucket = Bucket.DAY,
) -> list[ProductionCount]:
    """Occurrences and cans of running production.

    Five statements; two more with an `as_of`; with a period or by bucket three more for the plant
    (once in a snapshot), and one more where tallies are read.

    Args:
        session: an open session.
        asked: which entries; samples are left out whatever it says.
        by: what the rows are told apart by; empty: one row for all, if there is any.
        bucket: how long the periods are, if `by` has ``bucket``; the filter then needs start and
            end.

    Returns:
        One row for each group that has entries, in order of bucket, line, machine, defect.

    Raises:
        TracelogError: buckets without start and end, or of shifts on a plant without any.
    """
    counted = _counted(
        session,
        replace(asked, kind=EntryKind.PRODUCTION),
        by,
        bucket,
        ("counted_occurrences", "cans"),
    )
    return [
        ProductionCount(**group, counted_occurrences=sums[0], cans=sums[1], entries=sums[2])
        for group, sums in counted
    ]


def sample_counts(
    session: Session,
    asked: EntryFilter,
    by: Sequence[By] = ("machine", "defect"),
    bucket: Bucket = Bucket.DAY,
) -> list[SampleCount]:
    """Cans inspected and defective cans of samples.

    Args, Raises and number of statements: as `production_counts`.

    Returns:
        One row for each group that has samples, in order of bucket, line, machine, defect.
    """
    counted = _counted(
        session, replace(asked, kind=EntryKind.SAMPLE), by, bucket, ("inspected", "cans")
    )
    return [
        SampleCount(**group, inspected=sums[0], cans=sums[1], samples=sums[2])
        for group, sums in counted
    ]


Sums = list[int]


def _counted(
    session: Session,
    asked: EntryFilter,
    by: Sequence[By],
    bucket: Bucket,
    measures: Sequence[str],
) -> list[tuple[dict[str, Any], Sums]]:
    """Groups with the sums of the measures and the number of entries."""
    around = surroundings(session, asked.as_of)
    choice = Choice.of(asked, around)
    names = [_COLUMNS[one] for one in by if one != "bucket"]
    length = bucket if "bucket" in by else None
    is_tallied = are_tallied(choice, names, length)
    plant = the_plant(session) if length or is_tallied else None
    found = _periods(plant, asked, length) if plant and length else ()
    sums: dict[tuple[Any, ...], Sums] = defaultdict(lambda: [0] * (len(measures) + 1))
    left: Choice | None = choice
    if plant and is_tallied:
        left = _not_tallied(choice)
        rows = tallied(session, choice, around, plant.zone, (names, measures), length)
        for start, key, values in _by_period(rows, found):
            _add(sums[start, *key], values)
    for key, values in _from_table(session, left, names, measures, found) if left else ():
        _add(sums[key], values)
    for row in rows_as_of(session, choice, around):
        period = period_of(found, row["occurred_at"])
        key = (period.start if period else None, *(row[name] for name in names))
        _add(sums[key], [*(row[name] for name in measures), 1])
    group = _grouping(names, around)
    return [(group(key), sums[key]) for key in sorted(sums, key=_standing(sums, names, around))]


def _not_tallied(choice: Choice) -> Choice | None:
    """What tallies leave out of a choice: entries whose machine nobody knows."""
    asked = choice.asked
    if asked.is_settled or asked.machine_ids is not None:
        return None
    return replace(choice, asked=replace(asked, is_settled=False))


def _by_period(
    rows: Iterable[Tallied], found: Sequence[Period]
) -> Iterator[tuple[datetime | None, tuple[Any, ...], list[int]]]:
    """What tallies hold, by the start of its period."""
    starts: dict[datetime | None, datetime | None] = {None: None}
    for moment, key, values in rows:
        if moment not in starts:
            period = period_of(found, moment) if moment else None
            starts[moment] = period.start if period else None
        yield starts[moment], key, values


def _add(total: Sums, values: Iterable[int]) -> None:
    for place, value in enumerate(values):
        total[place] += value


def _periods(plant: PlantView, asked: EntryFilter, bucket: Bucket) -> tuple[Period, ...]:
    if asked.start is None or asked.end is None:
        raise TracelogError(_("buckets need a period; give its start and its end"), "bucket")
    return periods(bucket, asked.start, asked.end, plant.zone, plant.rota)


def _from_table(
    session: Session,
    choice: Choice,
    names: Sequence[str],
    measures: Sequence[str],
    found: Sequence[Period],
) -> Iterable[tuple[tuple[Any, ...], list[int]]]:
    where = [*choice.conditions(), *unaltered(choice.asked.as_of)]
    place = _place_among(session, found) if found else literal(0)
    inner = (
        select(place.label("place"), *(getattr(CurrentEntry, one) for one in (*names, *measures)))
        .where(*where)
        .subquery()
    )
    groups = [inner.c.place, *(inner.c[name] for name in names)]
    sums = [func.sum(inner.c[name]) for name in measures]
    # A statement with many edges is long; keeping it ready for the next time is not worth it.
    rows = session.execute(
        select(*groups, *sums, func.count()).group_by(*groups),
        execution_options={"compiled_cache": None} if found else {},
    )
    for row in rows:
        values = [int(value) for value in row[len(groups) :]]
        start = found[row[0]].start if found else None
        yield (start, *row[1 : len(groups)]), values


def _place_among(session: Session, found: Sequence[Period]) -> ColumnElement[int]:
    """The place among `found` of the period that holds an entry: a search by halves.

    Raises:
        TracelogError: there are too many periods for one statement.
    """
    if len(found) > _MOST_PERIODS:
        raise TracelogError(
            _(
                "these are %(number)d periods; at most %(most)d are counted at once, so choose a"
                " longer bucket or a shorter period",
                number=len(found),
                most=_MOST_PERIODS,
            ),
            "bucket",
        )
    write = UtcInstant().literal_processor(session.get_bind().dialect)
    assert write is not None  # noqa: S101
    return literal_column(_halves([write(one.start) for one in found], 0, len(found)), Integer)


def _halves(starts: Sequence[str], first: int, end: int) -> str:
    if end - first == 1:
        return str(first)
    middle = (first + end) // 2
    earlier, later = _halves(starts, first, middle), _halves(starts, middle, end)
    return (
        f"CASE WHEN current_entries.occurred_at < {starts[middle]} THEN {earlier} ELSE {later} END"
    )


def _grouping(
    names: Sequence[str], around: Surroundings
) -> Callable[[Sequence[Any]], dict[str, Any]]:
    """What tells the values of a key by name."""
    columns = [(_TOLD_AS.get(name, name), name) for name in names]

    def group(key: Sequence[Any]) -> dict[str, Any]:
        start, *values = key
        told = {
            field: _told(name, value, around)
            for (field, name), value in zip(columns, values, strict=True)
        }
        return {"bucket_start": start, **told}

    return group


def _standing(
    keys: Collection[tuple[Any, ...]], names: Sequence[str], around: Surroundings
) -> Callable[[tuple[Any, ...]], tuple[int, ...]]:
    """Where a key stands: by bucket, line, machine, kind and the rest; the unknown comes last.

    Each value gets its rank among those of its column first, since a value is in many keys.
    """
    told = ("", *names)
    ranks = [
        (column, _ranks(name, {key[column] for key in keys}, around))
        for name in _STANDING
        if name in told
        for column in [told.index(name)]
    ]
    return lambda key: tuple(rank[key[column]] for column, rank in ranks)


def _ranks(name: str, values: Collection[Any], around: Surroundings) -> dict[Any, int]:
    def order(value: Any) -> tuple[bool, Any]:
        worth = _told(name, value, around)
        if name == "machine_id":
            machine = around.directory.by_id.get(value)
            worth = (machine.line, machine.number) if machine else None
        return worth is None, worth

    return {value: rank for rank, value in enumerate(sorted(values, key=order))}


def _told(name: str, value: Any, around: Surroundings) -> Any:
    """A value of a column as a row says it: a line by number, a kind of defect by name."""
    if name == "line_id":
        return around.directory.line_numbers.get(value)
    if name == "defect_id":
        return around.by_id[value].defect
    return value
