"""Instants: read as the plant writes them, kept in UTC, shown in plant time.

Text with an offset or ``Z`` is taken as it is. Text without one is plant local time; a local
time that does not exist or occurs twice (clock change) is refused, because guessing would
move a can into another hour.
"""

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from tracelog import locales
from tracelog.language import _, language

HOUR = timedelta(hours=1)
# Before anything a plant can have on record.
EARLIEST = datetime(1900, 1, 1, tzinfo=UTC)


def now() -> datetime:
    """The present instant, UTC. Read once per action at the door and passed on."""
    return datetime.now(UTC)


@lru_cache(maxsize=64)
def zone_named(name: str) -> ZoneInfo:
    """The IANA zone of that name.

    Raises:
        ValueError: there is no such zone.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as problem:
        raise ValueError(
            _("'%(name)s' is not an IANA time zone; write one such as Europe/Madrid", name=name)
        ) from problem


def parse_instant(text: str, zone: ZoneInfo) -> datetime:
    """Read an ISO 8601 instant as the conventions say.

    Args:
        text: for example ``2026-03-29T06:15:00Z``, ``2026-03-29T08:15:00+02:00`` or plant local
            time ``2026-03-29T08:15``.
        zone: the plant's zone, used when the text has no offset.

    Returns:
        The instant in UTC.

    Raises:
        ValueError: not an instant, or a local time that does not exist or occurs twice.
    """
    stripped = text.strip()
    try:
        moment = datetime.fromisoformat(stripped)
    except ValueError:
        moment = None
    if moment is None or len(stripped) < 16 or stripped[10] not in "T ":
        raise ValueError(
            _(
                "'%(text)s' is not an instant; write date and time as 2026-03-29T06:15:00Z,"
                " or without Z for plant time",
                text=text,
            )
        )
    return utc_of(moment, zone)


def utc_of(moment: datetime, zone: ZoneInfo) -> datetime:
    """A datetime in UTC; one without an offset is plant local time.

    Raises:
        ValueError: a local time that does not exist or occurs twice, or an instant beyond the
            years 1900 to 2200.
    """
    if not 1900 <= moment.year <= 2200:
        raise ValueError(
            _("the year %(year)d is out of range; years 1900 to 2200 are kept", year=moment.year)
        )
    if moment.tzinfo is not None:
        return moment if moment.tzinfo is UTC else moment.astimezone(UTC)
    local = moment.isoformat(sep=" ")
    early, late = (moment.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if early.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != moment:
        raise ValueError(
            _(
                "%(local)s does not exist in %(zone)s (the clock is put forward then);"
                " write it with an offset or Z",
                local=local,
                zone=zone.key,
            )
        )
    if early.utcoffset() != late.utcoffset():
        raise ValueError(
            _(
                "%(local)s occurs twice in %(zone)s (the clock is put back then);"
                " write it with an offset or Z",
                local=local,
                zone=zone.key,
            )
        )
    return early.astimezone(UTC)


def write_instant(moment: datetime) -> str:
    """The canonical text of an instant: UTC with ``Z``, no fraction unless there is one."""
    in_utc = moment if moment.tzinfo is UTC else moment.astimezone(UTC)
    return in_utc.isoformat().removesuffix("+00:00") + "Z"


def moment_or_day(text: str, zone: ZoneInfo, ends: bool = False) -> datetime:
    """An instant, or a day of the plant's clock as its start (or its end, if it `ends` a period).

    Raises:
        ValueError: neither.
    """
    if len(text) != 10:
        return parse_instant(text, zone)
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise ValueError(
            _("'%(text)s' is not a day; write it such as 2026-03-29", text=text)
        ) from None
    if not 1900 <= day.year <= 2200:
        raise ValueError(
            _("the year %(year)d is out of range; years 1900 to 2200 are kept", year=day.year)
        )
    return start_of_day(day + timedelta(days=1) if ends else day, zone)


def hour_of(moment: datetime, zone: ZoneInfo) -> datetime:
    """Start (UTC) of the plant's clock hour that holds `moment`.

    Hours are those of the plant's clock, so that shifts and days are whole hours also in zones
    that lie half an hour off UTC. Where the clock is changed by part of an hour, the hour is cut
    there: hours never overlap, and each holds its own start.
    """
    offset = moment.astimezone(zone).utcoffset() or timedelta(0)
    local = moment.astimezone(UTC) + offset
    start = local.replace(minute=0, second=0, microsecond=0) - offset
    return clock_change_between(start, moment.astimezone(UTC), zone) or start


def next_hour(moment: datetime, zone: ZoneInfo) -> datetime:
    """Start (UTC) of the plant's clock hour that follows the one that holds `moment`."""
    offset = moment.astimezone(zone).utcoffset() or timedelta(0)
    local = moment.astimezone(UTC) + offset
    end = local.replace(minute=0, second=0, microsecond=0) - offset + HOUR
    return clock_change_between(moment.astimezone(UTC), end, zone) or end


def clock_change_between(start: datetime, end: datetime, zone: ZoneInfo) -> datetime | None:
    """The instant in (start, end] from which the clock's offset is that of `end`.

    Args:
        start, end: UTC, so close together that the clock is changed at most once between them.
        zone: the plant's zone.

    Returns:
        The instant (UTC), None if the offset is the same at both ends.
    """
    after = end.astimezone(zone).utcoffset()
    if start.astimezone(zone).utcoffset() == after:
        return None
    # Clocks change at whole seconds of UTC.
    before, later = int(start.timestamp() // 1), -int(-end.timestamp() // 1)
    while later - before > 1:
        middle = (before + later) // 2
        if datetime.fromtimestamp(middle, zone).utcoffset() == after:
            later = middle
        else:
            before = middle
    return datetime.fromtimestamp(later, UTC)


def day_of(moment: datetime, zone: ZoneInfo) -> date:
    """Calendar day of `moment` on the plant's clock."""
    return moment.astimezone(zone).date()


def start_of_day(day: date, zone: ZoneInfo) -> datetime:
    """First instant (UTC) of a calendar day on the plant's clock."""
    return datetime.combine(day, time(), zone).astimezone(UTC)


def show_instant(moment: datetime, zone: ZoneInfo, seconds: bool = False) -> str:
    """An instant on the plant's clock, as people read it: in English ``2026-03-29 08:15``."""
    return locales.instant(moment.astimezone(zone), language(), seconds)


def show_day(day: date) -> str:
    """A day as people read it: in English ``2026-03-29``."""
    return locales.day(day, language())


def show_month(day: date) -> str:
    """The month of a day as people read it: in English ``2026-03``."""
    return locales.month(day, language())
