"""iCalendar files, read in this process, without the one that would be ended for it."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from tests.fuzz.telling import must_tell
from tracelog.errors import TracelogError
from tracelog.plant.icalendar_events import MOST_EVENTS, read_calendar

ZONE = ZoneInfo("Europe/Madrid")
START, END = datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 5, 1, tzinfo=UTC)


def try_one(data: bytes) -> None:
    """Read a file for two months in which a clock change lies."""
    try:
        content = read_calendar(data, ZONE, START, END)
    except TracelogError as problem:
        must_tell(problem)
        return
    assert len(content.events) <= MOST_EVENTS
    keys = [event.key for event in content.events]
    assert len(set(keys)) == len(keys) or content.faults
    for event in content.events:
        assert event.starts_at < event.ends_at
        assert event.starts_at.tzinfo is not None
        assert event.uid in content.uids
        event.summary.encode("utf-8")
