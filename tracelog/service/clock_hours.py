"""Hours of the plant's clock in order, each with its day, its hour of the week and its shift."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from tracelog.instants import start_of_day
from tracelog.plant.calendar_rules import PlannedSpan
from tracelog.stats.inputs import FloatArray, IntArray
from tracelog.strokes.hours import MICROSECOND, hour_starts

# Where a plant has no shifts, the quarters of a day take their place.
QUARTERS = (time(0), time(6), time(12), time(18))
HOURS_OF_WEEK = 7 * 24
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class ClockHours:
    """Hours of whole days of the plant's clock; a day of a clock change has 23 or 25.

    Attributes:
        days: the days.
        starts: start of each hour, and last the end of the last; seconds since 1970, UTC.
        first: for each day its first hour, and last the number of hours.
        day: for each hour its day, counted from 0.
        week_hour: for each hour its place in the week, 0 for the first of Monday.
        cell: for each hour its shift of the week: shifts of Monday first, a shift over midnight
            belonging to the day on which it starts.
        cells: how many different shifts of the week there are.
    """

    days: tuple[date, ...]
    starts: FloatArray
    first: IntArray
    day: IntArray
    week_hour: IntArray
    cell: IntArray
    cells: int

    def place_of(self, second: float) -> int:
        """The hour that holds an instant (seconds since 1970); beyond the ends the nearest."""
        found = int(np.searchsorted(self.starts, second, side="right")) - 1
        return min(max(found, 0), len(self.day) - 1)

    def only(self, first_day: int, days: int) -> "ClockHours":
        """The hours of `days` days from `first_day` (counted from 0) on."""
        low, high = int(self.first[first_day]), int(self.first[first_day + days])
        return ClockHours(
            self.days[first_day : first_day + days],
            self.starts[low : high + 1],
            self.first[first_day : first_day + days + 1] - low,
            self.day[low:high] - first_day,
            self.week_hour[low:high],
            self.cell[low:high],
            self.cells,
        )


@lru_cache(maxsize=16)
def clock_hours(zone: ZoneInfo, shifts: tuple[time, ...], first_day: date, days: int) -> ClockHours:
    """The hours of consecutive days.

    Args:
        zone: the plant's zone.
        shifts: starts of the plant's shifts on its clock, in order; none: quarters of a day.
        first_day: the first day.
        days: how many.
    """
    named = tuple(first_day + number * _DAY for number in range(days))
    edges = [start_of_day(day, zone) for day in (*named, first_day + days * _DAY)]
    starts = hour_starts(edges[0], edges[-1] - MICROSECOND, zone) / 1e6
    first = np.searchsorted(starts, [edge.timestamp() for edge in edges])
    day = np.repeat(np.arange(days), np.diff(first))
    minute = ((starts[:-1] - starts[first[day]]) / 60).astype(np.intp) + 30
    for changed in np.flatnonzero(np.diff(starts[first]) != 86_400):
        span = slice(int(first[changed]), int(first[changed + 1]))
        minute[span] = [_minute(second + 1800, zone) for second in starts[span]]
    weekday = np.array([one.weekday() for one in named], dtype=np.intp)[day]
    begins = np.array([60 * one.hour + one.minute for one in shifts or QUARTERS])
    shift = np.searchsorted(begins, minute, side="right") - 1
    of_day = np.where(shift < 0, weekday - 1, weekday) % 7
    return ClockHours(
        named,
        starts,
        first,
        day,
        weekday * 24 + np.minimum(minute // 60, 23),
        of_day * len(begins) + shift % len(begins),
        7 * len(begins),
    )


def sums_before(values: FloatArray) -> FloatArray:
    """Sum of what lies before each hour, and last of all hours: rows by hours, and one more."""
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def _minute(second: float, zone: ZoneInfo) -> int:
    local = datetime.fromtimestamp(second, UTC).astimezone(zone)
    return local.hour * 60 + local.minute


def covered(hours: ClockHours, spans: Iterable[PlannedSpan]) -> FloatArray:
    """Share of each hour that lies within spans which are apart from each other, 0 to 1."""
    found = np.zeros(len(hours.day))
    for span in spans:
        start, end = span.start.timestamp(), span.end.timestamp()
        if end <= hours.starts[0] or start >= hours.starts[-1]:
            continue
        low, high = hours.place_of(start), hours.place_of(end)
        part = slice(low, high + 1)
        inside = np.minimum(hours.starts[low + 1 : high + 2], end) - np.maximum(
            hours.starts[part], start
        )
        found[part] += np.maximum(inside, 0.0) / np.diff(hours.starts[low : high + 2])
    return np.minimum(found, 1.0)
