"""The calendar written as a file: as the standard wants it, and read back as the same."""

import uuid
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from tracelog.facts import plain_text
from tracelog.instants import start_of_day
from tracelog.plant.calendar_rules import PeriodKind, PlannedPeriodView
from tracelog.plant.icalendar_events import read_calendar
from tracelog.plant.icalendar_matching import ImportChoice, key_of, wanted_periods
from tracelog.plant.icalendar_writing import write_calendar
from tracelog.plant.queries import Directory, MachineView

MADRID, CHICAGO = ZoneInfo("Europe/Madrid"), ZoneInfo("America/Chicago")
LINES = {n: uuid.UUID(int=n) for n in (1, 3)}
MACHINE = MachineView(uuid.UUID(int=37), LINES[3], 3, "bodymaker", 7, None, None, None)
KNOWN = Directory(LINES, {1: "Line 1", 3: "Hall B"}, {(3, "bodymaker", 7): MACHINE})
RECORDED = datetime(2026, 2, 3, 4, 5, 6, 789, tzinfo=UTC)
START = datetime(2026, 1, 1, tzinfo=UTC)


def period(
    starts_at: datetime,
    ends_at: datetime,
    reason: str | None = "weekly cleaning",
    place: tuple[uuid.UUID | None, uuid.UUID | None] = (LINES[3], None),
    kind: PeriodKind = PeriodKind.STOP,
    uid: str | None = None,
    announced_at: datetime | None = None,
) -> PlannedPeriodView:
    return PlannedPeriodView(
        *(uuid.UUID(int=99), kind, *place, starts_at, ends_at, reason, uid, announced_at, None)
    )


def written(*periods: PlannedPeriodView, zone: ZoneInfo = MADRID) -> bytes:
    return write_calendar([(one, RECORDED) for one in periods], KNOWN, zone, "Alder Point")


def test_a_period_is_written_as_people_and_programs_read_it() -> None:
    moment = datetime(2026, 3, 24, 5, tzinfo=UTC)
    one = period(moment, moment + timedelta(hours=8), announced_at=RECORDED)
    assert written(one).decode().split("\r\n") == [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//tracelog//planned periods//EN",
        "NAME:Alder Point",
        "X-WR-CALNAME:Alder Point",
        "BEGIN:VEVENT",
        "UID:00000000-0000-0000-0000-000000000063",
        "DTSTAMP:20260203T040506Z",
        "CREATED:20260203T040506Z",
        "DTSTART:20260324T050000Z",
        "DTEND:20260324T130000Z",
        "SUMMARY:weekly cleaning",
        "LOCATION:Line 3",
        "CATEGORIES:stop",
        "END:VEVENT",
        "END:VCALENDAR",
        "",
    ]


def test_whole_days_of_the_plants_clock_are_written_as_days() -> None:
    first, after = (start_of_day(date(2026, 3, day), CHICAGO) for day in (8, 10))
    holiday = period(first, after, place=(None, None), kind=PeriodKind.NO_SERVICE)
    text = written(holiday, zone=CHICAGO).decode()
    assert "DTSTART;VALUE=DATE:20260308\r\nDTEND;VALUE=DATE:20260310\r\n" in text
    assert "LOCATION:Whole plant\r\nCATEGORIES:no service\r\n" in text


def test_lines_are_at_most_75_octets_and_no_letter_is_cut() -> None:
    moment = datetime(2026, 3, 24, 5, tzinfo=UTC)
    reason = "ä" * 40 + "€" * 40 + "𝄞" * 40 + " a; b, c\\d\nnew line"
    raw = written(period(moment, moment + timedelta(hours=1), reason=reason))
    lines = raw.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    assert b"\n" not in raw.replace(b"\r\n", b"")
    for line in lines:
        line.decode()
    (event,) = Calendar.from_ical(raw).walk("VEVENT")
    assert event["SUMMARY"] == reason


@st.composite
def reasons(draw: st.DrawFn) -> str | None:
    text = draw(st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=200))
    joined = "\n".join([text, draw(st.sampled_from(["", "a;b,c", "\\n \\, \\", "\ttab"]))])
    return plain_text(joined, 4000, lines=True) or None


@st.composite
def periods(draw: st.DrawFn, zone: ZoneInfo) -> PlannedPeriodView:
    if draw(st.booleans()):
        day = date(2026, 1, 1) + timedelta(days=draw(st.integers(0, 700)))
        starts_at = start_of_day(day, zone)
        ends_at = start_of_day(day + timedelta(days=draw(st.integers(1, 400))), zone)
    else:
        starts_at = START + timedelta(seconds=draw(st.integers(0, 60_000_000)))
        ends_at = starts_at + timedelta(seconds=draw(st.integers(1, 34_000_000)))
    places = [(None, None), (LINES[1], None), (LINES[3], None), (LINES[3], MACHINE.id)]
    known_at = START + timedelta(seconds=draw(st.integers(0, 10_000_000)))
    uid = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=220)
    return PlannedPeriodView(
        uuid.UUID(int=draw(st.integers(1, 2**100)), version=4),
        draw(st.sampled_from(PeriodKind)),
        *draw(st.sampled_from(places)),
        starts_at,
        ends_at,
        draw(reasons()),
        draw(st.one_of(st.none(), uid.map(lambda text: plain_text(text, 300) or None))),
        draw(st.sampled_from([None, known_at])),
        None,
    )


@pytest.mark.parametrize("zone", [MADRID, CHICAGO], ids=str)
def test_what_is_written_is_read_back_as_the_same(zone: ZoneInfo) -> None:
    choice = ImportChoice(START - timedelta(days=1), START + timedelta(days=1500))

    @settings(max_examples=150, deadline=None)
    @given(st.lists(periods(zone), max_size=4, unique_by=key_of))
    def holds(made: list[PlannedPeriodView]) -> None:
        raw = written(*made, zone=zone)
        content = read_calendar(raw, zone, choice.start, choice.end)
        wanted, faults = wanted_periods(content, choice, KNOWN)
        assert not faults
        back = {one.key: one for one in wanted}
        assert set(back) == {key_of(one) for one in made}
        for one in made:
            read = back[key_of(one)]
            assert read.is_at(one)
            assert read.reason == one.reason
            assert read.is_always_known == (one.announced_at is None)
            assert read.changed_at == one.announced_at

    holds()
    assert choice.place is None


def test_another_reader_finds_every_event_with_its_parts() -> None:
    moment = datetime(2026, 10, 24, 22, tzinfo=UTC)
    made = [
        period(moment, moment + timedelta(hours=25), uid="a"),
        period(moment, moment + timedelta(hours=2), uid="b/20261024T220000Z", reason=None),
    ]
    calendar = Calendar.from_ical(written(*made))
    assert calendar["VERSION"] == "2.0"
    days, hours = calendar.walk("VEVENT")
    assert (days["DTSTART"].dt, days["DTEND"].dt) == (date(2026, 10, 25), date(2026, 10, 26))
    assert (hours["DTSTART"].dt, hours["DTEND"].dt) == (moment, moment + timedelta(hours=2))
    assert (str(hours["UID"]), "SUMMARY" in hours) == ("b/20261024T220000Z", False)
    assert not any(event.errors for event in (days, hours))
    assert all(event["DTSTAMP"].dt == RECORDED.replace(microsecond=0) for event in (days, hours))
