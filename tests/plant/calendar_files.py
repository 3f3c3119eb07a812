"""Calendar files for tests, written line by line as any program may write them."""

from datetime import UTC, datetime

from tracelog.plant.icalendar_events import CalendarEvent

SPRING = (datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 4, 30, tzinfo=UTC))
YEAR = (datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC))


def calendar_file(*events: str, head: str = "") -> bytes:
    """A calendar file of these events; each is its lines without BEGIN and END."""
    parts = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//somebody//some calendar//EN"]
    parts += head.strip().splitlines()
    for event in events:
        parts += ["BEGIN:VEVENT", *event.strip().splitlines(), "END:VEVENT"]
    parts.append("END:VCALENDAR")
    return "".join(f"{line.strip()}\r\n" for line in parts).encode()


def spans(events: tuple[CalendarEvent, ...]) -> list[tuple[str, str]]:
    """Start and end of each event, in UTC."""
    return [(f"{one.starts_at:%m-%d %H:%M}", f"{one.ends_at:%m-%d %H:%M}") for one in events]


CLEANING = """
UID:cleaning-1
DTSTART;TZID=Europe/Madrid:20260324T060000
DTEND;TZID=Europe/Madrid:20260324T140000
RRULE:FREQ=WEEKLY;COUNT=4
SUMMARY:weekly cleaning
"""
# The clock of Madrid under a name of its own, by its rules.
OWN_ZONE = """
BEGIN:VTIMEZONE
TZID:Hall clock
BEGIN:STANDARD
DTSTART:19961027T030000
TZOFFSETFROM:+0200
TZOFFSETTO:+0100
RRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=10
END:STANDARD
BEGIN:DAYLIGHT
DTSTART:19960331T020000
TZOFFSETFROM:+0100
TZOFFSETTO:+0200
RRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=3
END:DAYLIGHT
END:VTIMEZONE
"""
