"""The calendar written as a calendar file (iCalendar, RFC 5545), which an import takes back.

One event for each period, in UTC or as whole days of the plant's clock. What a period is about
stands where people look and where an import reads it: kind as category, place as location, reason
as summary.
"""

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from tracelog.instants import day_of, start_of_day
from tracelog.plant.calendar_rules import PlannedPeriodView
from tracelog.plant.icalendar_events import ALWAYS_KNOWN
from tracelog.plant.icalendar_matching import key_of
from tracelog.plant.queries import Directory

LINE_END = "\r\n"
# Octets of a line without its end (RFC 5545, section 3.1).
LONGEST_LINE = 75
PRODUCT = "-//tracelog//planned periods//EN"


def write_calendar(
    periods: Iterable[tuple[PlannedPeriodView, datetime]],
    known: Directory,
    zone: ZoneInfo,
    name: str,
) -> bytes:
    """The text of a calendar file.

    Args:
        periods: each with the instant (UTC) at which it came on record.
        known: of the plant.
        zone: the plant's zone.
        name: of the plant, shown as the calendar's name.

    Returns:
        UTF-8, lines folded, ended by CR LF; the same periods give the same bytes.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:{PRODUCT}", f"NAME:{_escaped(name)}"]
    # The older name of NAME (RFC 7986), which many programs know alone.
    lines.append(f"X-WR-CALNAME:{_escaped(name)}")
    for period, recorded_at in periods:
        lines += _event(period, recorded_at, known, zone)
    lines.append("END:VCALENDAR")
    return "".join(part + LINE_END for line in lines for part in _folded(line)).encode()


def _event(
    period: PlannedPeriodView, recorded_at: datetime, known: Directory, zone: ZoneInfo
) -> Iterator[str]:
    yield "BEGIN:VEVENT"
    yield f"UID:{_escaped(key_of(period))}"
    yield f"DTSTAMP:{_utc(recorded_at)}"
    if period.announced_at is None:
        yield f"{ALWAYS_KNOWN}:TRUE"
    else:
        yield f"CREATED:{_utc(period.announced_at)}"
    days = _whole_days(period, zone)
    if days is None:
        yield f"DTSTART:{_utc(period.starts_at)}"
        yield f"DTEND:{_utc(period.ends_at)}"
    else:
        yield f"DTSTART;VALUE=DATE:{days[0]:%Y%m%d}"
        yield f"DTEND;VALUE=DATE:{days[1]:%Y%m%d}"
    if period.reason:
        yield f"SUMMARY:{_escaped(period.reason)}"
    yield f"LOCATION:{_location(period, known)}"
    yield f"CATEGORIES:{period.kind.value}"
    yield "END:VEVENT"


def _whole_days(period: PlannedPeriodView, zone: ZoneInfo) -> tuple[date, date] | None:
    """First day, and the day after the last, of a period of whole days."""
    first, after = day_of(period.starts_at, zone), day_of(period.ends_at, zone)
    if (start_of_day(first, zone), start_of_day(after, zone)) != (period.starts_at, period.ends_at):
        return None
    return first, after


def _location(period: PlannedPeriodView, known: Directory) -> str:
    """Where, in the words that an import reads (`icalendar_matching`)."""
    if period.machine_id is not None:
        return f"Bodymaker {known.by_id[period.machine_id].text}"
    if period.line_id is not None:
        return f"Line {known.line_numbers[period.line_id]}"
    return "Whole plant"


def _utc(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def _escaped(text: str) -> str:
    """Text as a value (RFC 5545, section 3.3.11)."""
    for sign, written in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        text = text.replace(sign, written)
    return text


def _folded(line: str) -> Iterator[str]:
    """A line cut into parts of at most 75 octets; no character is cut, later parts are indented."""
    part, size = "", 0
    for sign in line:
        octets = len(sign.encode())
        if size + octets > LONGEST_LINE:
            yield part
            part, size = " ", 1
        part += sign
        size += octets
    yield part
