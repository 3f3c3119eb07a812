"""Decisions about service that need no database: what resets what, how far along, when due."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

# Beyond this a date says nothing that a planner could use.
FURTHEST_DAYS = 3650.0


@dataclass(frozen=True)
class Level:
    """One level of service: what it is called and when it falls due."""

    station: str
    service: str
    interval_strokes: int | None
    interval_days: int | None
    hours: float | None = None
    people: int | None = None


@dataclass(frozen=True)
class Done:
    """A service that was done."""

    service: str
    done_at: datetime


@dataclass(frozen=True)
class DailyUse:
    """A machine's own use, from its recent days.

    Attributes:
        mean: strokes per day.
        deviation: standard deviation of one day's strokes.
        days: how many days these come from.
    """

    mean: float
    deviation: float
    days: int


@dataclass(frozen=True)
class Expected:
    """When so many strokes will have been made, or were, in days from the present day on.

    `early`, `middle` and `late` are whole days: the median, and the ends of a central 80 %
    interval; `exact` are the same three with their fractions.
    """

    early: int
    middle: int
    late: int
    exact: tuple[float, float, float]


@dataclass(frozen=True)
class Due:
    """When a service falls due: the median and the ends of a central 80 % interval.

    `by` says which limit comes first: ``strokes``, ``days``, or ``never`` when the machine does
    not run and no calendar limit is set; the dates are then blank.
    """

    by: str
    due_early: date | None
    due: date | None
    due_late: date | None


def contains(upper: Level, lower: Level) -> bool:
    """Whether doing `upper` counts as doing `lower`: the longer interval contains the shorter.

    A higher level done resets the lower ones it contains, not the reverse (common practice,
    no source). Levels are compared by strokes where both have them, else by days.
    """
    if upper.service == lower.service:
        return True
    if upper.station != lower.station:
        return False
    if upper.interval_strokes is not None and lower.interval_strokes is not None:
        return upper.interval_strokes > lower.interval_strokes
    if upper.interval_days is not None and lower.interval_days is not None:
        return upper.interval_days > lower.interval_days
    return False


def last_done(level: Level, levels: Iterable[Level], done: Iterable[Done]) -> datetime | None:
    """When `level` was last done, itself or within a higher level; None: never on record.

    Args:
        level: the level asked for.
        levels: all levels of the station.
        done: the machine's services, in any order.
    """
    resetting = {upper.service for upper in levels if contains(upper, level)} | {level.service}
    return max((one.done_at for one in done if one.service in resetting), default=None)


def daily_use(strokes: Sequence[int]) -> DailyUse:
    """Mean and spread of a machine's strokes per whole day.

    Args:
        strokes: strokes of each of the recent days, idle days included as 0.
    """
    if not strokes:
        return DailyUse(0.0, 0.0, 0)
    count = len(strokes)
    mean = sum(strokes) / count
    spread = sum((day - mean) ** 2 for day in strokes) / (count - 1) if count > 1 else mean**2
    return DailyUse(mean, math.sqrt(spread), count)


def when_due(
    level: Level, expected: Expected | None, done_at: datetime | None, as_of: datetime
) -> Due:
    """When a level falls due, by strokes or by days, whichever comes first.

    The earlier of the two has the quantiles of the strokes, none later than the calendar limit.

    Args:
        level: with its intervals.
        expected: when its strokes are used up, or were; None: never, as far as can be told.
        done_at: when it was last done, None if never on record.
        as_of: the instant of the forecast, in the zone in which dates are wanted.

    Returns:
        Dates in the zone of `as_of`.
    """
    limit = limit_of(level, done_at, as_of)
    if level.interval_strokes is None or expected is None:
        return Due("never", None, None, None) if limit is None else Due("days", *(limit,) * 3)
    today = as_of.date()
    early, due, late = (
        today + timedelta(days=days) for days in (expected.early, expected.middle, expected.late)
    )
    if limit is None:
        return Due("strokes", early, due, late)
    by = "strokes" if due <= limit else "days"
    return Due(by, min(early, limit), min(due, limit), min(late, limit))


def limit_of(level: Level, done_at: datetime | None, as_of: datetime) -> date | None:
    """The day on which the days of a level are used up, in the zone of `as_of`; None: no limit."""
    if level.interval_days is None or done_at is None:
        return None
    done_on = done_at.astimezone(as_of.tzinfo).date()
    days = min(level.interval_days, (date.max - done_on).days)
    return done_on + timedelta(days=days)


def share_used(strokes_since: int, interval_strokes: int | None) -> float | None:
    """Share of the interval that is used up; above 1 it is overdue, None without an interval."""
    return strokes_since / interval_strokes if interval_strokes else None


def is_overdue(share: float | None, due: Due, today: date) -> bool:
    """Whether the interval is used up, in strokes or, where days come first, in days."""
    by_days = due.by == "days" and due.due is not None and due.due < today
    return by_days or (share is not None and share > 1)
