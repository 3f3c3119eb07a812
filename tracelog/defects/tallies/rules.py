"""Which day and month an entry is counted in, and what a period is made of. Pure."""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any, TypeAlias
from zoneinfo import ZoneInfo

from tracelog.buckets import Period
from tracelog.instants import day_of, start_of_day

DAY, MONTH = "day", "month"
MEASURES = ("entries", "counted_occurrences", "cans", "inspected")
KEY = ("machine_id", "defect_id", "is_sample", "length", "start_at")
Key: TypeAlias = tuple[uuid.UUID, uuid.UUID, bool, str, datetime]
Sums: TypeAlias = list[int]


def changed(
    before: Iterable[Mapping[str, Any]], after: Iterable[Mapping[str, Any]], zone: ZoneInfo
) -> dict[Key, Sums]:
    """By how much tallies change where entries stand otherwise than before.

    Args:
        before, after: entries as they stand, by column of `current_entries`; those whose machine
            nobody knows count nowhere.
        zone: the plant's.

    Returns:
        For each tally that changes what is to be added to it, in order of `MEASURES`.
    """
    found: dict[Key, Sums] = defaultdict(lambda: [0] * len(MEASURES))
    for rows, sign in ((before, -1), (after, 1)):
        for row in rows:
            if row["machine_id"] is None:
                continue
            inspected = row["inspected"]
            values = (1, row["counted_occurrences"], row["cans"], inspected or 0)
            whose = (row["machine_id"], row["defect_id"], inspected is not None)
            for length, start in zip((DAY, MONTH), starts(row["occurred_at"], zone), strict=True):
                sums = found[*whose, length, start]
                for place, value in enumerate(values):
                    sums[place] += sign * value
    return {key: sums for key, sums in found.items() if any(sums)}


def starts(moment: datetime, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Where the day and the month that hold an instant begin, UTC."""
    return _starts(day_of(moment, zone), zone)


@lru_cache(4096)
def _starts(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    return start_of_day(day, zone), start_of_day(day.replace(day=1), zone)


@dataclass(frozen=True)
class Cut:
    """A period in parts: whole months, whole days beside them, and what is left at its ends.

    Each part is a stretch [start, end), UTC, and none is empty; what is left is cut at midnight.
    """

    months: tuple[Period, ...]
    days: tuple[Period, ...]
    rest: tuple[Period, ...]


def cut(start: datetime, end: datetime, zone: ZoneInfo, *, by_month: bool) -> Cut:
    """Cut a period into parts that are tallied and parts that are not.

    Args:
        start, end: UTC.
        zone: the plant's.
        by_month: whether whole months may be taken as one.

    Example:
        >>> from datetime import UTC
        >>> parts = cut(datetime(2026, 1, 30, 12, tzinfo=UTC), datetime(2026, 3, 3, tzinfo=UTC),
        ...             ZoneInfo("UTC"), by_month=True)
        >>> [f"{one.start:%d %b} to {one.end:%d %b}" for one in parts.months + parts.days]
        ['01 Feb to 01 Mar', '31 Jan to 01 Feb', '01 Mar to 03 Mar']
        >>> [f"{one.start:%d %b %H} to {one.end:%d %b %H}" for one in parts.rest]
        ['30 Jan 12 to 31 Jan 00']
    """
    first_day, last_day = day_of(start, zone), day_of(end, zone)
    if start_of_day(first_day, zone) < start:
        first_day += timedelta(days=1)
    first, last = start_of_day(first_day, zone), start_of_day(last_day, zone)
    rest = _filled(Period(start, min(first, end)), Period(max(last, start), end))
    if first_day >= last_day:
        return Cut((), (), rest if first_day == last_day else _filled(Period(start, end)))
    first_month, last_month = first_day.replace(day=1), last_day.replace(day=1)
    if first_month < first_day:
        first_month = (first_month + timedelta(days=31)).replace(day=1)
    if not by_month or first_month >= last_month:
        return Cut((), _filled(Period(first, last)), rest)
    months = Period(start_of_day(first_month, zone), start_of_day(last_month, zone))
    days = _filled(Period(first, months.start), Period(months.end, last))
    return Cut((months,), days, rest)


def whole_day_without(stretch: Period, zone: ZoneInfo) -> tuple[Period, tuple[Period, ...]] | None:
    """The day that holds a stretch and what of it the stretch leaves, if that is the shorter part.

    Args:
        stretch: within one day, UTC.
        zone: the plant's.

    Returns:
        The day and up to two stretches that lie in it beside the given one; None where the stretch
        itself is at most half of its day.

    Example:
        >>> from datetime import UTC
        >>> most = Period(datetime(2026, 5, 1, 2, tzinfo=UTC), datetime(2026, 5, 2, tzinfo=UTC))
        >>> day, left = whole_day_without(most, ZoneInfo("UTC"))
        >>> [f"{one.start:%H} to {one.end:%H}" for one in left]
        ['00 to 02']
    """
    first = day_of(stretch.start, zone)
    day = Period(start_of_day(first, zone), start_of_day(first + timedelta(days=1), zone))
    if 2 * (stretch.end - stretch.start) <= day.end - day.start:
        return None
    return day, _filled(Period(day.start, stretch.start), Period(stretch.end, day.end))


def _filled(*stretches: Period) -> tuple[Period, ...]:
    return tuple(one for one in stretches if one.start < one.end)
