"""Periods of the plant's clock that counts are gathered in: hours, shifts, days, weeks…

Pure: instants, a zone and a rota in, edges out. A bucket is named by the instant at which it
starts. Days, shifts and weeks over a clock change are as long as they are: 23 or 25 hours a day.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from tracelog.errors import TracelogError
from tracelog.instants import day_of, hour_of, next_hour, start_of_day
from tracelog.language import _
from tracelog.plant.rules import ShiftRota, shifts_between


class Bucket(StrEnum):
    """How long the periods are."""

    HOUR = "hour"
    SHIFT = "shift"
    DAY = "day"
    WEEK = "week"
    MONTH = "month"
    QUARTER = "quarter"


@dataclass(frozen=True)
class Period:
    """One bucket: from `start` (UTC) up to but without `end`."""

    start: datetime
    end: datetime


def periods(
    bucket: Bucket, start: datetime, end: datetime, zone: ZoneInfo, rota: ShiftRota | None = None
) -> tuple[Period, ...]:
    """All buckets that share an instant with [start, end), in order and without gaps.

    The first may start before `start` and the last may end after `end`: a bucket is the whole
    hour, shift or day, also where only a part of it was asked for.

    Args:
        bucket: how long they are. Weeks start on Monday (ISO 8601); hours are those that the
            plant's clock shows.
        start, end: UTC.
        zone: the plant's zone.
        rota: the plant's shifts, for `Bucket.SHIFT`.

    Raises:
        TracelogError: shifts are asked for, and the plant has none; at the field ``bucket``.

    Example:
        >>> from datetime import UTC
        >>> day = datetime(2026, 3, 29, 12, tzinfo=UTC)
        >>> [one] = periods(Bucket.DAY, day, day + timedelta(hours=1), ZoneInfo("Europe/Madrid"))
        >>> (one.end - one.start) / timedelta(hours=1)
        23.0
    """
    if start >= end:
        return ()
    if bucket is Bucket.HOUR:
        return tuple(_hours(start, end, zone))
    if bucket is Bucket.SHIFT:
        if rota is None or not rota.shifts:
            raise TracelogError(
                _("this plant has no shifts; choose another bucket, such as day"), "bucket"
            )
        return tuple(
            Period(shift.started_at, shift.ended_at) for shift in shifts_between(rota, start, end)
        )
    return tuple(_days(bucket, start, end, zone))


def period_of(found: Sequence[Period], moment: datetime) -> Period | None:
    """The one of `found` (in order, without gaps) that holds an instant; None outside of all."""
    place = bisect_right(found, moment, key=lambda one: one.start) - 1
    if place < 0 or moment >= found[place].end:
        return None
    return found[place]


def _hours(start: datetime, end: datetime, zone: ZoneInfo) -> Iterator[Period]:
    present = hour_of(start, zone)
    while present < end:
        following = next_hour(present, zone)
        if following > start:
            yield Period(present, following)
        present = following


_FIRST_DAY: dict[Bucket, Callable[[date], date]] = {
    Bucket.DAY: lambda day: day,
    Bucket.WEEK: lambda day: day - timedelta(days=day.weekday()),
    Bucket.MONTH: lambda day: day.replace(day=1),
    Bucket.QUARTER: lambda day: day.replace(month=day.month - (day.month - 1) % 3, day=1),
}
# Days that lie in the bucket after one that starts on day 0, whichever that is.
_LEAP = {Bucket.DAY: 1, Bucket.WEEK: 7, Bucket.MONTH: 31, Bucket.QUARTER: 92}


def _days(bucket: Bucket, start: datetime, end: datetime, zone: ZoneInfo) -> Iterator[Period]:
    first_day = _FIRST_DAY[bucket]
    day = first_day(day_of(start, zone))
    present = start_of_day(day, zone)
    while present < end:
        day = first_day(day + timedelta(days=_LEAP[bucket]))
        following = start_of_day(day, zone)
        yield Period(present, following)
        present = following
