"""Calendar files that are broken, huge or never end: one clear sentence, and soon."""

from zoneinfo import ZoneInfo

import pytest

from tests.plant.calendar_files import CLEANING, OWN_ZONE, SPRING, calendar_file
from tracelog.errors import TracelogError
from tracelog.plant import icalendar_child
from tracelog.plant.icalendar_child import read_calendar_apart
from tracelog.plant.icalendar_events import read_calendar
from tracelog.plant.icalendar_text import LARGEST_BYTES, checked_text

MADRID = ZoneInfo("Europe/Madrid")
WEEKLY = CLEANING.replace("COUNT=4", "INTERVAL=1")


def rule(text: str) -> bytes:
    return calendar_file(CLEANING.replace("FREQ=WEEKLY;COUNT=4", text))


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", "is not a calendar file; such a file (.ics) begins with BEGIN:VCALENDAR"),
        (b"<html>no</html>", "is not a calendar file"),
        (b"\xff\xfe\x00\x01", "is not UTF-8"),
        (b"PK\x03\x04" * 50, "is not a calendar file"),
        (calendar_file(CLEANING)[:-40], "is cut off: END:VEVENT is missing"),
        (b"BEGIN:VCALENDAR\r\nEND:VEVENT\r\n", "'END:VEVENT' ends what did not begin"),
        (b"BEGIN:VCALENDAR\r\n" + b"x" * LARGEST_BYTES, "is 2.0 MB large; calendar files of up"),
        (b"BEGIN:VCALENDAR\r\n" + b"BEGIN:VEVENT\r\n" * 50_000, "has parts within parts"),
        (
            b"BEGIN:VCALENDAR\r\n" + b"BEGIN:VEVENT\r\nEND:VEVENT\r\n" * 5_001 + b"END:VCALENDAR",
            "holds 5001 events; at most 5000 are read",
        ),
        (
            b"BEGIN:VCALENDAR\r\n" + b"BEGIN:STANDARD\r\nEND:STANDARD\r\n" * 401 + b"END:VCALENDAR",
            "defines more clock changes than any plant has",
        ),
        (rule("FREQ=SECONDLY"), "repeats something secondly; planned periods repeat daily at most"),
        (rule("FREQ=MINUTELY;INTERVAL=1440"), "repeats something minutely"),
        (rule("freq=hourly"), "repeats something hourly"),
        (rule("FREQ=DAILY;INTERVAL=0"), "has INTERVAL=0 in a rule; write 1 or more"),
        (rule("FREQ=DAILY;INTERVAL=-1"), "has INTERVAL=-1 in a rule"),
        (rule("FREQ=DAILY;INTERVAL=" + "9" * 5000), "has INTERVAL=99999999999999999999 in a rule"),
        (rule("FREQ=DAILY;BYHOUR=1,2,3,4,5;BYMINUTE=1,2,3,4,5"), "repeats something 25 times a"),
        (rule("FREQ=WEEKLY;BYMOON=FULL"), "repeats by a rule that cannot be read"),
        (rule("FREQ=WEEKLY;FREQ=DAILY"), "repeats by a rule that cannot be read"),
        (rule("RSCALE=HEBREW;FREQ=YEARLY"), "repeats by a rule that cannot be read"),
        # Folded, so that no line by itself says it.
        (rule("FREQ=WEEKLY").replace(b"FREQ=WEEKLY", b"FREQ=SEC\r\n\r\n\tONDLY"), "secondly"),
        (
            calendar_file(CLEANING, head=OWN_ZONE.replace("YEARLY", "DAILY")),
            "repeats something daily",
        ),
    ],
    ids=lambda value: value[:30] if isinstance(value, str) else "",
)
def test_a_file_that_no_plant_needs_is_refused_by_its_text(raw: bytes, told: str) -> None:
    with pytest.raises(TracelogError) as caught:
        checked_text(raw)
    assert caught.value.field == "file"
    assert told in caught.value.sentence
    assert "\n" not in caught.value.sentence


def test_more_events_than_anybody_plans_are_refused() -> None:
    events = (
        WEEKLY.replace("cleaning-1", f"uid-{n}").replace("WEEKLY", "DAILY") for n in range(200)
    )
    with pytest.raises(TracelogError, match="holds more than 5000 events in the time asked for"):
        read_calendar(calendar_file(*events), MADRID, *SPRING)


@pytest.mark.parametrize(
    "line",
    [
        b"BEGIN:VCALENDAR\r\nno colon here\r\nEND:VCALENDAR",
        b"BEGIN:VCALENDAR\r\n:nothing\r\nEND:VCALENDAR",
        b'BEGIN:VCALENDAR\r\nX-A;B="open:1\r\nEND:VCALENDAR',
        b"BEGIN:VCALENDAR\r\nBEGIN:VTIMEZONE\r\nTZID:x\r\nBEGIN:STANDARD\r\nEND:STANDARD\r\n"
        b"END:VTIMEZONE\r\nEND:VCALENDAR",
    ],
)
def test_what_the_library_cannot_read_is_one_sentence(line: bytes) -> None:
    with pytest.raises(TracelogError, match="is not a calendar that can be read") as caught:
        read_calendar(line, MADRID, *SPRING)
    assert "\n" not in caught.value.sentence


def test_reading_apart_gives_the_same_events() -> None:
    bad = "UID:b\nDTSTART:20260324T060000Z\nDTEND:20260324T050000Z"
    reminder = "UID:r\nDTSTART:20260324T060000Z\nLAST-MODIFIED:20260301T000000Z"
    raw = calendar_file(CLEANING, bad, reminder, "UID:c\nDTSTART;VALUE=DATE:20260324\nCATEGORIES:a")
    apart = read_calendar_apart(raw, MADRID, *SPRING)
    assert apart == read_calendar(raw, MADRID, *SPRING)
    assert (len(apart.events), len(apart.faults), apart.without_length) == (5, 1, 1)


def test_reading_apart_hands_on_why_a_file_cannot_be_read() -> None:
    with pytest.raises(TracelogError, match="is not a calendar that can be read"):
        read_calendar_apart(b"BEGIN:VCALENDAR\r\n:nothing\r\nEND:VCALENDAR", MADRID, *SPRING)


def test_a_rule_that_never_comes_true_ends_with_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(icalendar_child, "LONGEST_SECONDS", 2)
    never = CLEANING.replace("FREQ=WEEKLY", "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30")
    raw = calendar_file(*(never.replace("cleaning-1", f"uid-{n}") for n in range(500)))
    with pytest.raises(TracelogError, match="more repetitions than can be worked out in 2 seconds"):
        read_calendar_apart(raw, MADRID, *SPRING)
