"""When a backup is due, and which backups are kept: decisions from instants alone."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.errors import TracelogError
from tracelog.language import _

USUAL_TIME = time(2, 15)
# After a failure it is tried again: soon at first, then each hour.
_FIRST_WAIT, _LONGEST_WAIT = timedelta(minutes=5), timedelta(hours=1)
# A day and some hours: one backup that is late is not yet news, one that is missing is.
TOO_OLD = timedelta(hours=30)
_CLOCK = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]", re.ASCII)
_PART = re.compile(r"([1-9][0-9]{0,2}) (daily|weekly|monthly)", re.ASCII)


@dataclass(frozen=True)
class Retention:
    """How many backups are kept: the newest of each of so many days, weeks and months."""

    daily: int = 14
    weekly: int = 8
    monthly: int = 12

    def __str__(self) -> str:
        """As it is set."""
        return f"{self.daily} daily, {self.weekly} weekly, {self.monthly} monthly"


def read_time(text: str | None) -> time:
    """The time of the plant's clock at which a backup is made.

    Raises:
        TracelogError: not a time of the day.
    """
    if not text:
        return USUAL_TIME
    if not _CLOCK.fullmatch(text.strip()):
        raise TracelogError(
            _("TRACELOG_BACKUP_AT is '%(text)s'; write a time such as 02:15", text=text[:40])
        )
    return time.fromisoformat(text.strip())


def read_retention(text: str | None) -> Retention:
    """How many backups are kept, as it is set; what is not named is not kept.

    Raises:
        TracelogError: it is not understood, or keeps none.

    Example:
        >>> read_retention("7 daily, 4 weekly")
        Retention(daily=7, weekly=4, monthly=0)
    """
    if not text:
        return Retention()
    found: dict[str, int] = {}
    for part in text.split(","):
        said = _PART.fullmatch(part.strip())
        if said is None or said[2] in found:
            raise TracelogError(
                _(
                    "TRACELOG_BACKUP_KEEP is '%(text)s'; write how many of each are kept, such as"
                    " '14 daily, 8 weekly, 12 monthly'",
                    text=text[:60],
                )
            )
        found[said[2]] = int(said[1])
    return Retention(*(found.get(word, 0) for word in ("daily", "weekly", "monthly")))


def last_due(now: datetime, at: time, zone: ZoneInfo) -> datetime:
    """The last instant, not after now, at which a backup was due.

    Args:
        now: UTC.
        at: of the plant's clock; where the clock leaves it out, it is the same time by the
            clock before the change, and where it has it twice, the first.
        zone: the plant's.

    Returns:
        In the plant's zone.
    """
    here = now.astimezone(zone)
    today = datetime.combine(here.date(), at, zone)
    return today if today.timestamp() <= now.timestamp() else _day_before(today, zone)


def _day_before(moment: datetime, zone: ZoneInfo) -> datetime:
    return datetime.combine(moment.date() - timedelta(days=1), moment.time(), zone)


def is_due(last_good: datetime | None, now: datetime, at: time, zone: ZoneInfo) -> bool:
    """Whether a backup should be made: none is good since the last instant at which it was due."""
    return last_good is None or bool(last_good < last_due(now, at, zone))


def may_try(failed_at: datetime | None, failures: int, now: datetime) -> bool:
    """Whether to try after some failures in a row, the last of them at `failed_at`."""
    if failed_at is None or failed_at > now:
        return True
    wait = min(_FIRST_WAIT * 2 ** min(max(failures - 1, 0), 8), _LONGEST_WAIT)
    return bool(now - failed_at >= wait)


def to_keep(made: Iterable[datetime], retention: Retention, zone: ZoneInfo) -> set[datetime]:
    """Which backups of a folder are kept.

    Of each of the newest `daily` days that have one, the newest; and so for weeks (from Monday)
    and months, all by the plant's calendar. The newest of all is always kept.

    Args:
        made: when each was made, UTC.
        retention: how many.
        zone: the plant's.
    """
    newest_first = sorted(set(made), reverse=True)
    kept = set(newest_first[:1])
    spans: tuple[tuple[int, Callable[[datetime], Any]], ...] = (
        (retention.daily, lambda moment: moment.date()),
        (retention.weekly, lambda moment: moment.isocalendar()[:2]),
        (retention.monthly, lambda moment: (moment.year, moment.month)),
    )
    for count, span_of in spans:
        seen: dict[Any, datetime] = {}
        for moment in newest_first:
            seen.setdefault(span_of(moment.astimezone(zone)), moment)
        kept |= set(list(seen.values())[:count])
    return kept
