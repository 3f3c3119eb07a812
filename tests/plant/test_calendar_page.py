"""What the page of the calendar shows, and what its form makes of days and times."""

import uuid
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from tracelog.errors import BadFact
from tracelog.plant.calendar_form import changed_fact, facts_of, form_of, read_place
from tracelog.plant.calendar_page import calendar_page, hours_text, shown_time, when_words
from tracelog.plant.calendar_rules import PeriodKind, PlannedPeriodView
from tracelog.plant.icalendar_matching import CalendarPlace
from tracelog.plant.queries import Directory, MachineView
from tracelog.web.forms import Form

MADRID = ZoneInfo("Europe/Madrid")
LINES = {1: uuid.UUID(int=1), 3: uuid.UUID(int=3)}
MACHINE = MachineView(uuid.UUID(int=37), LINES[3], 3, "bodymaker", 7, None, None, None)
KNOWN = Directory(LINES, {1: "Line 1", 3: "Hall B"}, {(3, "bodymaker", 7): MACHINE})
FORM_ID = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e55"


def period(
    start: str,
    end: str,
    line: int | None = 3,
    machine: uuid.UUID | None = None,
    kind: PeriodKind = PeriodKind.STOP,
) -> PlannedPeriodView:
    starts_at, ends_at = (
        datetime.fromisoformat(text).replace(tzinfo=MADRID).astimezone(UTC) for text in (start, end)
    )
    line_id = None if line is None else LINES[line]
    return PlannedPeriodView(
        *(uuid.uuid4(), kind, line_id, machine, starts_at, ends_at, "x", None, None, None)
    )


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        ("2026-03-24T06:00", "2026-03-24T14:00", "Tue 2026-03-24 06:00 to 14:00"),
        ("2026-03-24T22:00", "2026-03-25T06:00", "Tue 2026-03-24 22:00 to Wed 2026-03-25 06:00"),
        ("2026-03-29T00:00", "2026-03-30T00:00", "Sun 2026-03-29"),
        ("2026-08-03T00:00", "2026-08-17T00:00", "Mon 2026-08-03 to Sun 2026-08-16"),
    ],
)
def test_a_period_says_from_when_until_when(start: str, end: str, words: str) -> None:
    assert when_words(period(start, end), MADRID) == words


def test_weeks_begin_on_monday_and_hold_the_day_asked_for() -> None:
    time = shown_time(date(2026, 3, 29), 4, MADRID)
    page = calendar_page([], KNOWN, time, MADRID)
    assert [week.monday.isoformat() for week in page.weeks] == [
        *("2026-03-23", "2026-03-30", "2026-04-06", "2026-04-13"),
    ]
    assert (page.earlier, page.later) == (date(2026, 2, 23), date(2026, 4, 20))


def test_each_place_has_a_row_and_each_day_the_hours_that_its_clock_has() -> None:
    planned = [
        period("2026-03-28T22:00", "2026-03-29T06:00"),
        period("2026-03-28T20:00", "2026-03-28T23:00"),
        period("2026-03-29T00:00", "2026-03-30T00:00", line=None, kind=PeriodKind.NO_SERVICE),
        period("2026-03-25T06:00", "2026-03-25T06:20", machine=MACHINE.id),
        period("2026-03-25T06:00", "2026-03-25T07:30", line=1),
    ]
    page = calendar_page(planned, KNOWN, shown_time(date(2026, 3, 23), 1, MADRID), MADRID)
    (week,) = page.weeks
    assert [row.place for row in week.rows] == ["Plant", "Line 1", "Line 3", "3-7"]
    plant, line_1, line_3, machine = (
        [(cell.day.day, mark.short, mark.words) for cell in row.cells for mark in cell.marks]
        for row in week.rows
    )
    assert plant == [(29, "all", "no service all day")]
    assert line_1 == [(25, "2", "stands 1.5 hours")]
    # Two stops that overlap count once; the night of the clock change is an hour shorter.
    assert line_3 == [(28, "4", "stands 4 hours"), (29, "5", "stands 5 hours")]
    assert machine == [(25, "1", "stands 0.3 hours")]


def test_a_long_list_is_cut_and_says_so() -> None:
    many = [period("2026-03-24T06:00", "2026-03-24T14:00")] * 260
    page = calendar_page(many, KNOWN, shown_time(date(2026, 3, 24), 1, MADRID), MADRID)
    assert (len(page.listed), page.left_off) == (250, 10)


def test_hours_are_written_to_a_tenth() -> None:
    assert [hours_text(hours) for hours in (8, 7.5, 336, 0.04)] == ["8", "7.5", "336", "under 0.1"]


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("plant", CalendarPlace()),
        ("3", CalendarPlace(3)),
        ("3-7", CalendarPlace(3, 7)),
    ],
)
def test_a_place_is_read(text: str, place: CalendarPlace) -> None:
    assert read_place(text) == place


def form(**values: str) -> Form:
    usual = {
        "id": FORM_ID,
        "kind": "stop",
        "place": "3",
        "starts_on": "2026-03-24",
        "starts_clock": "06:00",
        "ends_on": "",
        "ends_clock": "14:00",
        "reason": "cleaning",
        "until": "",
    }
    return Form(usual | values)


def spans(made: Form) -> list[tuple[str, str]]:
    return [
        (f"{fact.starts_at:%m-%d %H:%M}", f"{fact.ends_at:%m-%d %H:%M}")
        for fact in facts_of(made, MADRID)
    ]


def test_a_form_without_a_last_day_means_the_same_day() -> None:
    assert spans(form()) == [("03-24 05:00", "03-24 13:00")]


def test_a_form_without_times_means_whole_days() -> None:
    days = form(starts_on="2026-03-28", starts_clock="", ends_on="2026-03-29", ends_clock="")
    assert spans(days) == [("03-27 23:00", "03-29 22:00")]


def test_every_week_keeps_the_times_of_the_plants_clock() -> None:
    weekly = form(until="2026-04-07")
    assert spans(weekly) == [
        ("03-24 05:00", "03-24 13:00"),
        ("03-31 04:00", "03-31 12:00"),
        ("04-07 04:00", "04-07 12:00"),
    ]
    ids = [fact.id for fact in facts_of(weekly, MADRID)]
    assert str(ids[0]) == FORM_ID
    assert len(set(ids)) == 3
    # The same form, sent again, means the same periods.
    assert ids == [fact.id for fact in facts_of(weekly, MADRID)]


@pytest.mark.parametrize(
    ("values", "field", "told"),
    [
        ({"kind": ""}, "kind", "is missing"),
        ({"place": ""}, "place", "is missing; choose"),
        ({"place": "3-x"}, "place", "is missing; choose"),
        ({"starts_on": ""}, "starts_on", "is not a day"),
        ({"starts_on": "soon"}, "starts_on", "is not a day"),
        ({"ends_on": "2026-02-30"}, "ends_on", "is not a day"),
        ({"ends_clock": "05:00"}, "ends_on", "is not after the start"),
        ({"starts_clock": "6 am"}, "starts_on", "is not an instant"),
        ({"starts_on": "2026-03-29", "starts_clock": "02:30"}, "starts_on", "does not exist"),
        ({"until": "2026-03-01"}, "until", "is before the first day"),
        ({"until": "2036-03-01"}, "until", "gives 519 times; at most 160"),
        ({"until": "x"}, "until", "is not a day"),
        ({"ends_on": "2028-01-01"}, "ends_on", "days after the start"),
        ({"reason": "x" * 4001}, "reason", "is 4001 characters long"),
        ({"id": "7"}, "id", "is not a UUID"),
    ],
)
def test_what_is_wrong_is_told_at_its_field_of_the_form(
    values: dict[str, str], field: str, told: str
) -> None:
    with pytest.raises(BadFact) as caught:
        facts_of(form(**values), MADRID)
    (fault,) = caught.value.faults
    assert fault.field == field
    assert told in fault.sentence


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("2026-03-24T06:00", "2026-03-24T14:00"),
        ("2026-03-28T00:00", "2026-03-30T00:00"),
        ("2026-03-28T22:00", "2026-03-29T00:00"),
        ("2026-03-28T22:00:30", "2026-03-29T01:00:15"),
    ],
)
def test_a_form_that_is_sent_back_as_shown_changes_nothing(start: str, end: str) -> None:
    one = period(start, end)
    fact = changed_fact(form_of(one, KNOWN, MADRID, FORM_ID), one, KNOWN, MADRID)
    assert (fact.starts_at, fact.ends_at) == (one.starts_at, one.ends_at)
    assert (fact.line, fact.bodymaker, fact.kind, fact.reason) == (3, None, one.kind, "x")


def test_an_end_in_the_hour_that_the_clock_shows_twice_stays_what_it_is() -> None:
    second_two_thirty = datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    one = period("2026-10-24T22:00", "2026-10-25T06:00")
    one = PlannedPeriodView(
        *(one.id, one.kind, one.line_id, None, one.starts_at, second_two_thirty, "x"),
        *(None, None, None),
    )
    shown = form_of(one, KNOWN, MADRID, FORM_ID)
    assert shown.value("ends_clock") == "02:30"
    fact = changed_fact(Form({**shown.values, "reason": "y"}), one, KNOWN, MADRID)
    assert (fact.ends_at, fact.reason) == (second_two_thirty, "y")
    other = Form({**shown.values, "starts_clock": "21:00"})
    assert changed_fact(other, one, KNOWN, MADRID).starts_at == one.starts_at - timedelta(hours=1)
