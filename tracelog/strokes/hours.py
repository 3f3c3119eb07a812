"""The plant's clock hours as whole numbers, and strokes per hour; no database."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from tracelog.instants import clock_change_between, hour_of, next_hour
from tracelog.strokes.rules import Stretches, Whole, counted_until

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
_HOUR = 3_600_000_000
_DAY = timedelta(days=1)


def microseconds(moment: datetime) -> int:
    """An instant as microseconds since 1970, UTC."""
    return (moment - EPOCH) // MICROSECOND


def instant(count: int) -> datetime:
    """The instant (UTC) of that many microseconds since 1970."""
    return EPOCH + timedelta(microseconds=count)


@dataclass(frozen=True)
class HourCounts:
    """Strokes in consecutive hours of the plant's clock.

    Attributes:
        starts: start of each hour, and last the end of the last one; microseconds since 1970.
        strokes: strokes in each hour.
        before: strokes counted before each hour, and last those at the end.
    """

    starts: Whole
    strokes: Whole
    before: Whole


def hour_starts(first: datetime, last: datetime, zone: ZoneInfo) -> Whole:
    """Starts of the plant's clock hours from the one that holds `first` to that of `last`.

    Returns:
        Microseconds since 1970, UTC, in order; the end of the last hour stands at the end.
    """
    start, end = hour_of(first, zone), next_hour(last, zone)
    stretches = []
    for change in [*_clock_changes(start, end, zone), end]:
        stretches.append(_even_hours(start, change, zone))
        start = change
    stretches.append(np.array([microseconds(end)], dtype=np.int64))
    return np.concatenate(stretches)


def _clock_changes(start: datetime, end: datetime, zone: ZoneInfo) -> list[datetime]:
    changes = []
    while start < end:
        # Nowhere was a clock ever changed twice within a day.
        ahead = min(start + _DAY, end)
        change = clock_change_between(start, ahead, zone)
        if change is not None and change < end:
            changes.append(change)
        start = ahead
    return changes


def _even_hours(start: datetime, end: datetime, zone: ZoneInfo) -> Whole:
    """Starts in [start, end), between which the clock is not changed."""
    first, last = microseconds(start), microseconds(end)
    second = min(microseconds(next_hour(start, zone)), last)
    rest = np.arange(second, last, _HOUR, dtype=np.int64)
    return np.concatenate([np.array([first], dtype=np.int64), rest])


def strokes_per_hour(counted: Stretches, starts: Whole) -> HourCounts:
    """Strokes in each of consecutive hours; they add up to what is counted between their ends.

    Args:
        counted: what is counted.
        starts: from `hour_starts`.
    """
    before = counted_until(counted, starts)
    return HourCounts(starts, np.diff(before), before)
