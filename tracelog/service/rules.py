"""Decisions about service that need no database: what resets what, how far along, when due."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

# Half-width of a central 80 % interval of the normal distribution, in standard deviations.
_Z80 = 1.2815515655446004
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
    level: Level, strokes_since: int, done_at: datetime | None, use: DailyUse, as_of: datetime
) -> Due:
    """When a level falls due, by strokes or by days, whichever comes first.

    With remaining strokes R, mean use m per day and daily deviation s from n days, the median
    is R / m days ahead; its deviation is sqrt(D s^2 + D^2 s^2 / n) / m with D = R / m: the
    spread of the D days to come, and of the mean itself (delta method for the first passage of
    a random walk with drift). The interval is the median plus and minus 1.2816 deviations.
    Overdue services have their median in the past, on the day the interval was used up at that
    rate of use.

    Args:
        level: with its intervals.
        strokes_since: strokes since the level was last done.
        done_at: when that was, None if never on record.
        use: the machine's recent use.
        as_of: the instant of the forecast, in the zone in which dates are wanted.

    Returns:
        Dates in the zone of `as_of`.
    """
    by_strokes = _by_strokes(level, strokes_since, use, as_of)
    if level.interval_days is None or done_at is None:
        return by_strokes
    limit = (done_at.astimezone(as_of.tzinfo) + timedelta(days=level.interval_days)).date()
    if by_strokes.due is not None and by_strokes.due <= limit:
        late = min(by_strokes.due_late or limit, limit)
        return Due("strokes", by_strokes.due_early, by_strokes.due, late)
    early = min(by_strokes.due_early or limit, limit)
    return Due("days", early, limit, limit)


def _by_strokes(level: Level, strokes_since: int, use: DailyUse, as_of: datetime) -> Due:
    if level.interval_strokes is None or use.mean <= 0:
        return Due("never", None, None, None)
    days = (level.interval_strokes - strokes_since) / use.mean
    ahead = max(days, 0.0)
    variance = ahead * use.deviation**2 + ahead**2 * use.deviation**2 / max(use.days, 1)
    half = _Z80 * math.sqrt(variance) / use.mean
    low, middle, high = (
        _ahead(as_of, distance) for distance in (max(days - half, min(days, 0)), days, days + half)
    )
    return Due("strokes", low, middle, high)


def _ahead(as_of: datetime, days: float) -> date:
    bounded = max(-FURTHEST_DAYS, min(FURTHEST_DAYS, days))
    return (as_of + timedelta(days=bounded)).date()


def share_used(strokes_since: int, interval_strokes: int | None) -> float | None:
    """Share of the interval that is used up; above 1 it is overdue, None without an interval."""
    return strokes_since / interval_strokes if interval_strokes else None


def is_overdue(share: float | None, due: Due, today: date) -> bool:
    """Whether the interval is used up, in strokes or, where days come first, in days."""
    by_days = due.by == "days" and due.due is not None and due.due < today
    return by_days or (share is not None and share > 1)
