"""Calendar files read as events: zones, clock changes, repetitions and their exceptions.

The instants expected are worked out by hand: Madrid is one hour ahead of UTC, two from 29 March to
25 October 2026; Chicago six hours behind, five from 8 March to 1 November 2026.
"""

from zoneinfo import ZoneInfo

import pytest

from tests.plant.calendar_files import CLEANING, OWN_ZONE, SPRING, YEAR, calendar_file, spans
from tracelog.plant.icalendar_events import CalendarContent, read_calendar

MADRID, CHICAGO = ZoneInfo("Europe/Madrid"), ZoneInfo("America/Chicago")


def read(*events: str, zone: ZoneInfo = MADRID, head: str = "") -> CalendarContent:
    content = read_calendar(calendar_file(*events, head=head), zone, *YEAR)
    assert not content.faults
    return content


def test_a_weekly_event_keeps_its_clock_times_over_the_clock_change() -> None:
    assert spans(read(CLEANING).events) == [
        ("03-24 05:00", "03-24 13:00"),
        ("03-31 04:00", "03-31 12:00"),
        ("04-07 04:00", "04-07 12:00"),
        ("04-14 04:00", "04-14 12:00"),
    ]


def test_times_in_another_zone_than_the_plants_are_those_of_that_zone() -> None:
    assert spans(read(CLEANING, zone=CHICAGO).events)[:2] == [
        ("03-24 05:00", "03-24 13:00"),
        ("03-31 04:00", "03-31 12:00"),
    ]


def test_floating_times_are_those_of_the_plants_clock_whatever_the_file_is_shown_in() -> None:
    floating = CLEANING.replace(";TZID=Europe/Madrid", "")
    shown_in = "X-WR-TIMEZONE:Asia/Tokyo"
    assert spans(read(floating, head=shown_in).events) == spans(read(CLEANING).events)
    # 06:00 in Chicago, which has been on summer time since the 8th.
    assert spans(read(floating, zone=CHICAGO).events)[0] == ("03-24 11:00", "03-24 19:00")


def test_a_night_over_the_clock_change_is_as_long_as_the_clock_makes_it() -> None:
    night = """
        UID:night
        DTSTART:{day}T220000
        DTEND:{after}T060000
        RRULE:FREQ=DAILY;COUNT=3
    """
    spring = read(night.format(day="20260306", after="20260307"), zone=CHICAGO)
    assert spans(spring.events) == [
        ("03-07 04:00", "03-07 12:00"),
        ("03-08 04:00", "03-08 11:00"),
        ("03-09 03:00", "03-09 11:00"),
    ]
    autumn = read(night.format(day="20261030", after="20261031"), zone=CHICAGO)
    assert spans(autumn.events) == [
        ("10-31 03:00", "10-31 11:00"),
        ("11-01 03:00", "11-01 12:00"),
        ("11-02 04:00", "11-02 12:00"),
    ]


def test_a_length_in_hours_is_that_of_a_stopwatch_also_in_a_night_with_a_clock_change() -> None:
    event = "UID:n\nDTSTART:20260328T220000\nDURATION:PT8H\nRRULE:FREQ=DAILY;COUNT=2"
    assert spans(read(event).events) == [
        ("03-28 21:00", "03-29 05:00"),
        ("03-29 20:00", "03-30 04:00"),
    ]


def test_whole_days_are_days_of_the_plants_clock_of_23_24_or_25_hours() -> None:
    day = "UID:d\nDTSTART;VALUE=DATE:{first}\nDTEND;VALUE=DATE:{after}"
    short = day.format(first="20260308", after="20260309")
    assert spans(read(short, zone=CHICAGO).events) == [("03-08 06:00", "03-09 05:00")]
    long = day.format(first="20261025", after="20261026")
    assert spans(read(long).events) == [("10-24 22:00", "10-25 23:00")]
    # Without an end, a day lasts that day.
    alone = "UID:d\nDTSTART;VALUE=DATE:20260329\nRRULE:FREQ=DAILY;COUNT=2"
    assert spans(read(alone).events) == [
        ("03-28 23:00", "03-29 22:00"),
        ("03-29 22:00", "03-30 22:00"),
    ]


@pytest.mark.parametrize(
    ("local", "instant"),
    [
        # Skipped: with the offset before the gap. Shown twice: the first (RFC 5545, 3.3.5).
        ("20260329T023000", "03-29 01:30"),
        ("20261025T023000", "10-25 00:30"),
    ],
)
def test_a_time_that_the_clock_skips_or_shows_twice_is_read_as_the_standard_says(
    local: str, instant: str
) -> None:
    ((starts_at, _ends_at),) = spans(read(f"UID:a\nDTSTART:{local}\nDURATION:PT1H").events)
    assert starts_at == instant


def test_the_last_friday_of_each_month_is_found() -> None:
    event = """
        UID:monthly
        DTSTART;TZID=Europe/Madrid:20260130T080000
        DTEND;TZID=Europe/Madrid:20260130T100000
        RRULE:FREQ=MONTHLY;BYDAY=-1FR;UNTIL=20260424T060000Z
    """
    assert [starts_at for starts_at, _end in spans(read(event).events)] == [
        *("01-30 07:00", "02-27 07:00", "03-27 07:00", "04-24 06:00"),
    ]


@pytest.mark.parametrize(
    ("until", "count"),
    [("20260407T040000Z", 3), ("20260407T035959Z", 2), ("20260407T060000", 3), ("20260407", 3)],
)
def test_an_end_of_repetitions_is_included_in_whichever_way_it_is_written(
    until: str, count: int
) -> None:
    event = CLEANING.replace("COUNT=4", f"UNTIL={until}")
    assert len(read(event).events) == count


def test_days_left_out_and_added_are_heeded() -> None:
    event = CLEANING + "EXDATE;TZID=Europe/Madrid:20260331T060000,20260407T060000\n"
    event += "RDATE;TZID=Europe/Madrid:20260409T060000\n"
    assert [starts_at for starts_at, _end in spans(read(event).events)] == [
        *("03-24 05:00", "04-09 04:00", "04-14 04:00"),
    ]


def test_added_times_may_have_a_length_of_their_own() -> None:
    event = "UID:p\nDTSTART:20260324T060000Z\nDTEND:20260324T070000Z\n"
    event += "RDATE;VALUE=PERIOD:20260326T060000Z/PT3H,20260327T060000Z/20260327T100000Z"
    assert spans(read(event).events) == [
        ("03-24 06:00", "03-24 07:00"),
        ("03-26 06:00", "03-26 09:00"),
        ("03-27 06:00", "03-27 10:00"),
    ]


MOVED = """
    UID:cleaning-1
    RECURRENCE-ID;TZID=Europe/Madrid:20260331T060000
    DTSTART;TZID=Europe/Madrid:20260401T060000
    DTEND;TZID=Europe/Madrid:20260401T160000
    SUMMARY:cleaning, put off
    LAST-MODIFIED:20260320T101112Z
"""


def test_a_repetition_that_was_moved_is_known_by_when_it_would_have_been() -> None:
    content = read(CLEANING, MOVED)
    assert [one.key for one in content.events] == [
        "cleaning-1/20260324T050000Z",
        "cleaning-1/20260331T040000Z",
        "cleaning-1/20260407T040000Z",
        "cleaning-1/20260414T040000Z",
    ]
    moved = content.events[1]
    assert spans((moved,)) == [("04-01 04:00", "04-01 14:00")]
    assert moved.summary == "cleaning, put off"
    assert moved.changed_at is not None
    assert f"{moved.changed_at:%Y-%m-%d %H:%M:%S}" == "2026-03-20 10:11:12"
    assert content.uids == {"cleaning-1"}


def test_a_change_of_all_later_repetitions_keeps_each_of_them_apart() -> None:
    moved = MOVED.replace("RECURRENCE-ID;", "RECURRENCE-ID;RANGE=THISANDFUTURE;")
    content = read(CLEANING, moved)
    starts = [starts_at for starts_at, _ends_at in spans(content.events)]
    assert list(zip([one.key[11:] for one in content.events], starts, strict=True)) == [
        ("20260324T050000Z", "03-24 05:00"),
        ("20260331T040000Z", "04-01 04:00"),
        ("20260407T040000Z", "04-08 04:00"),
        ("20260414T040000Z", "04-15 04:00"),
    ]


@pytest.mark.parametrize("cancelled", [MOVED + "STATUS:CANCELLED", MOVED])
def test_a_cancelled_repetition_is_told_apart(cancelled: str) -> None:
    content = read(CLEANING, cancelled)
    expected = [False, "CANCELLED" in cancelled, False, False]
    assert [one.is_cancelled for one in content.events] == expected


def test_a_file_that_cancels_cancels_all_its_events() -> None:
    content = read(CLEANING, head="METHOD:CANCEL")
    assert [one.is_cancelled for one in content.events] == [True] * 4


def test_a_zone_that_the_file_defines_itself_is_followed() -> None:
    event = CLEANING.replace("Europe/Madrid", "Hall clock")
    content = read(event, head=OWN_ZONE, zone=CHICAGO)
    assert spans(content.events) == spans(read(CLEANING).events)


def test_a_zone_of_one_file_is_not_that_of_the_next() -> None:
    event = CLEANING.replace("Europe/Madrid", "Hall clock")
    read(event, head=OWN_ZONE)
    other = OWN_ZONE.replace("+0200", "-0500").replace("+0100", "-0600")
    # Six hours behind until the last Sunday of March in this zone of its own.
    assert spans(read(event, head=other).events)[:2] == [
        ("03-24 12:00", "03-24 20:00"),
        ("03-31 11:00", "03-31 19:00"),
    ]


def test_only_what_shares_an_instant_with_the_time_asked_for_is_read() -> None:
    event = CLEANING.replace("COUNT=4", "INTERVAL=1")
    content = read_calendar(calendar_file(event), MADRID, *SPRING)
    # From the 24th of March on, week by week, until the 28th of April.
    assert len(content.events) == 6
    reaches_in = "UID:a\nDTSTART:20260227T060000Z\nDTEND:20260302T060000Z"
    touches = "UID:b\nDTSTART:20260227T060000Z\nDTEND:20260301T000000Z"
    content = read_calendar(calendar_file(reaches_in, touches), MADRID, *SPRING)
    assert [one.uid for one in content.events] == ["a"]
    assert content.uids == {"a", "b"}


def test_text_is_unescaped_and_categories_are_several() -> None:
    event = "UID:t\nDTSTART:20260324T060000Z\nDTEND:20260324T070000Z\nLOCATION:Line 3\n"
    event += "SUMMARY:Holiday\\, all of it\\nand more\nCATEGORIES:stop,Line 4\nCATEGORIES:other"
    (one,) = read(event).events
    assert one.summary == "Holiday, all of it\nand more"
    assert (one.location, one.categories) == ("Line 3", ("stop", "Line 4", "other"))


def test_events_without_a_length_are_counted_and_left_out() -> None:
    content = read("UID:r\nDTSTART:20260324T060000Z", CLEANING)
    assert (len(content.events), content.without_length) == (4, 1)


def test_a_uid_that_is_too_long_stands_for_itself_by_its_digest() -> None:
    (one,) = read(f"UID:{'u' * 221}\nDTSTART;VALUE=DATE:20260324").events
    assert one.key.startswith("sha256:")
    (one,) = read(f"UID:{'u' * 220}\nDTSTART;VALUE=DATE:20260324").events
    assert one.key == "u" * 220


@pytest.mark.parametrize(
    ("event", "told"),
    [
        ("DTSTART:20260324T060000Z\nSUMMARY:x", "event 'x': has no UID"),
        ("UID:a\nSUMMARY:x", "event 'x': has no DTSTART"),
        ("UID:a\nDTSTART:2026-03-24", "event 'a': DTSTART cannot be read"),
        ("UID:a\nDTSTART:20260324T060000Z\nDTSTART:20260325T060000Z", "more than one DTSTART"),
        (
            "UID:a\nDTSTART;TZID=Moon/Crater:20260324T060000",
            "in the time zone 'Moon/Crater', which the file does not define",
        ),
        ("UID:a\nDTSTART:18990324T060000Z\nDURATION:PT1H", "has the year 1899"),
        ("UID:a\nDTSTART:20260324T060000Z\nDTEND:20260324T050000Z", "ends before it starts"),
        ("UID:a\nDTSTART:20260324T060000Z\nDTEND;VALUE=DATE:20260325", "a day and an instant"),
        ("UID:a\nDTSTART:20260324T060000Z\nDURATION:P500D", "lasts 500 days; at most 400"),
        ("UID:a\nDTSTART:20260324T060000Z\nDURATION:-PT5H", "ends before it starts"),
        ("UID:a\nDTSTART:20260324T060000Z\nRDATE:tomorrow", "RDATE cannot be read"),
        (
            "UID:a\nDTSTART:20260324T060000Z\nDURATION:PT1H\nRRULE:FREQ=WEEKLY;BYDAY=XX",
            "RRULE cannot be read",
        ),
        (
            "UID:a\nDTSTART:20260324T060000Z\nDURATION:PT1H\nRRULE:FREQ=WEEKLY;UNTIL=soon",
            "RRULE cannot be read",
        ),
    ],
)
def test_an_event_that_cannot_be_taken_is_told_in_one_sentence(event: str, told: str) -> None:
    content = read_calendar(calendar_file(event, CLEANING), MADRID, *YEAR)
    (fault,) = content.faults
    assert told in fault
    assert "\n" not in fault
    assert len(content.events) == 4
