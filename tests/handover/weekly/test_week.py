"""The review of a week: clock changes, counters that are silent, first weeks, planted doublings."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy.orm import Session

from tests.handover.small_shifts import BY, HOUR, ZONE
from tests.support.statements import Statements
from tracelog.db import SNAPSHOT
from tracelog.defects.actions import log_entries, record_defect_types
from tracelog.defects.facts import DefectTypeFact, EntryFact
from tracelog.handover.queries import shift_page
from tracelog.handover.weekly.answers import week_answer, week_sheet
from tracelog.handover.weekly.gathering import last_week, week_of
from tracelog.handover.weekly.queries import WeekPage, week_page
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.facts import LineFact, MachineFact, PlantFact
from tracelog.plant.queries import the_plant
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact

MONDAY = date(2026, 6, 1)
AN_HOUR = 10_000
# Zones north and south, with a week in which the clock is changed and the hours of that week, and
# an instant of a night shift with its hours.
CHANGES = [
    ("Europe/Madrid", date(2026, 3, 23), 167, datetime(2026, 3, 28, 23, tzinfo=UTC), 11),
    ("Europe/Madrid", date(2026, 10, 19), 169, datetime(2026, 10, 24, 23, tzinfo=UTC), 13),
    ("America/Chicago", date(2026, 3, 2), 167, datetime(2026, 3, 8, 5, tzinfo=UTC), 11),
    ("America/Chicago", date(2026, 10, 26), 169, datetime(2026, 11, 1, 4, tzinfo=UTC), 13),
    ("Australia/Sydney", date(2026, 3, 30), 169, datetime(2026, 4, 4, 12, tzinfo=UTC), 13),
    ("Australia/Sydney", date(2026, 9, 28), 167, datetime(2026, 10, 3, 12, tzinfo=UTC), 11),
]


def write(session: Session, zone: str, start: datetime, end: datetime, slow: float = 1.0) -> None:
    """A line of two bodymakers that make 10,000 an hour, read twice a day.

    In the last week they are `slow`.
    """
    shifts = [{"name": "day", "starts": "06:00"}, {"name": "night", "starts": "18:00"}]
    plant = {"name": "Alder Point", "time_zone": zone, "shift": shifts}
    record_plant(session, [PlantFact.read(plant, ZONE)], BY, start)
    record_lines(session, [LineFact.read({"line": 1, "name": "Line 1"}, ZONE)], BY, start)
    machines = [
        {"line": 1, "station": "bodymaker", "number": n, "counter_max": 10**9 - 1} for n in (1, 2)
    ]
    record_machines(session, [MachineFact.read(one, ZONE) for one in machines], BY, start)
    record_defect_types(session, [DefectTypeFact(defect="split")], BY, start)
    readings = []
    for number in (1, 2):
        strokes, moment = 0.0, start
        while moment <= end:
            readings.append(
                ReadingFact(line=1, bodymaker=number, read_at=moment, strokes=int(strokes))
            )
            is_last = moment >= end - timedelta(days=7)
            # A little unsteady from day to day, always in the same way.
            unsteady = 1 + 0.02 * ((moment.toordinal() * 7) % 5 - 2)
            strokes += 12 * AN_HOUR * unsteady * (slow if is_last else 1.0)
            moment += 12 * HOUR
    assert all(one.is_kept for one in record_readings(session, readings, BY, end))


def enter(session: Session, code: str, day: date, count: int, cans: int = 1) -> None:
    """So many entries of a machine, spread over the week from a Monday."""
    start = datetime(day.year, day.month, day.day, 3, tzinfo=UTC)
    facts = [
        EntryFact.read(
            {
                "seen_at": (start + timedelta(minutes=n * 150 * 60 // count)).isoformat(),
                "dome_code": code,
                "defect": "split",
                "cans": cans,
            },
            ZONE,
        )
        for n in range(count)
    ]
    assert all(one.is_kept for one in log_entries(session, facts, BY, start))


def review(session: Session, day: date, now: datetime | None = None) -> WeekPage:
    at = now or datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=9)
    return week_page(session, the_plant(session), day, at)


def instant(day: date, days: int = 0) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=days)


@pytest.fixture
def _quiet(session: Session) -> None:
    """Nine weeks alike, the last from 1 June."""
    write(session, "Europe/Madrid", instant(MONDAY, -63), instant(MONDAY, 9))
    for week in range(9):
        for code in ("1-1", "1-2"):
            enter(session, code, MONDAY - timedelta(days=7 * week), 12 + (week * 5) % 3)


@pytest.mark.parametrize(("zone", "day", "week_hours", "night", "night_hours"), CHANGES)
def test_weeks_and_nights_over_a_clock_change_have_the_hours_that_they_have(
    session: Session,
    zone: str,
    day: date,
    week_hours: int,
    night: datetime,
    night_hours: int,
) -> None:
    write(session, zone, instant(day, -63), instant(day, 9))
    page = review(session, day)
    assert (page.week.end - page.week.start) / HOUR == week_hours
    (line,) = page.lines
    # As many strokes an hour as ever: nothing changed, although the week is shorter or longer.
    assert line.strokes == pytest.approx(2 * AN_HOUR * week_hours, rel=0.02)
    assert page.items == ()
    shift = shift_page(session, the_plant(session), night, instant(day, 9))
    assert (shift.shift.ended_at - shift.shift.started_at) / HOUR == night_hours
    assert shift.lines[0].strokes_per_hour == pytest.approx(2 * AN_HOUR, rel=0.05)
    assert shift.lines[0].strokes == pytest.approx(2 * AN_HOUR * night_hours, rel=0.05)
    assert zone == the_plant(session).zone.key


@pytest.mark.usefixtures("_quiet")
def test_where_nothing_changed_it_says_so(session: Session) -> None:
    page = review(session, MONDAY + timedelta(days=3))
    assert page.week.monday == MONDAY
    assert page.items == ()
    assert page.compared == 5
    assert (page.lines[0].entries, page.silent, page.overdue) == (24, (), 0)
    assert week_answer(page)["changed"] == []


@pytest.mark.usefixtures("_quiet")
def test_a_machine_with_more_is_named_with_its_figures_and_a_link(session: Session) -> None:
    enter(session, "1-2", MONDAY, 41)
    first = review(session, MONDAY).items[0]
    assert (first.kind, first.place, first.defect, first.count) == ("defect", "1-2", "split", 52)
    assert first.usual == pytest.approx(13, abs=0.5)
    assert (
        "Machine 1-2: 3.96 times as many entries of split per stroke: 52 in the week"
        in first.sentence
    )
    assert first.link.startswith("/trends?machine=1-2&defect=split&from=2026-04-06&to=2026-06-07")
    assert first.adjusted_p is not None
    assert first.adjusted_p < 0.001
    sheet = week_sheet(review(session, MONDAY), ZoneInfo("Europe/Madrid"))
    assert sheet.rows[0][:4] == ("defect", "1-2", "split", 52)
    assert {row[0] for row in sheet.rows} > {"strokes in all", "cans lost in all"}


@pytest.mark.usefixtures("_quiet")
def test_many_cans_in_one_entry_are_one_event(session: Session) -> None:
    enter(session, "1-2", MONDAY, 1, cans=9)
    assert review(session, MONDAY).items == ()


def test_a_slow_line_is_named(session: Session) -> None:
    write(session, "Europe/Madrid", instant(MONDAY, -63), instant(MONDAY, 7), slow=0.5)
    found = review(session, MONDAY)
    assert [(one.kind, one.place) for one in found.items] == [("strokes", "1")]
    assert "fewer strokes an hour" in found.items[0].sentence


@pytest.mark.usefixtures("_quiet")
def test_a_counter_that_fell_silent_is_told_and_its_line_not_called_slow(session: Session) -> None:
    # All that is known ends on 10 June; the week from 8 June is looked at after it.
    page = review(session, MONDAY + timedelta(days=7), instant(MONDAY, 16))
    assert [one.kind for one in page.items] == ["silent"]
    assert page.items[0].sentence.startswith("2 counters say nothing: 1-1 since 2026-06-10")
    assert [name for name, _at in page.silent] == ["1-1", "1-2"]
    later = review(session, MONDAY + timedelta(days=14), instant(MONDAY, 23))
    assert (later.items, len(later.silent)) == ((), 2)


@pytest.mark.usefixtures("_quiet")
def test_a_week_that_goes_on_is_shown_so_far(session: Session) -> None:
    now = instant(MONDAY, 3)
    page = review(session, MONDAY, now)
    assert (page.week.until, page.week.is_over, page.later) == (now, False, None)
    assert page.items == ()


def test_the_first_week_ever_has_nothing_to_be_compared_with(session: Session) -> None:
    write(session, "Europe/Madrid", instant(MONDAY), instant(MONDAY, 9))
    enter(session, "1-1", MONDAY, 30)
    page = review(session, MONDAY)
    assert (page.items, page.compared) == ((), 0)
    assert page.lines[0].usual_strokes is None


def test_an_empty_plant_has_a_review_and_it_is_empty(session: Session) -> None:
    plant = {"name": "Alder Point", "time_zone": "Europe/Madrid"}
    record_plant(session, [PlantFact.read(plant, ZONE)], BY, instant(MONDAY))
    page = review(session, MONDAY)
    assert (page.items, page.lines, page.compared) == ((), (), 0)


def test_the_usual_week_is_the_last_that_has_ended() -> None:
    zone = ZoneInfo("Europe/Madrid")
    now = datetime(2026, 6, 8, 1, tzinfo=UTC)
    assert week_of(last_week(zone, now), zone, now).monday == MONDAY


@pytest.mark.usefixtures("_quiet")
def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    sent = []
    for count in (3, 40):
        enter(session, "1-1", MONDAY, count, cans=count)
        with (
            Session(bind=session.connection(), info=SNAPSHOT) as snapshot,
            statements.counted() as texts,
        ):
            review(snapshot, MONDAY)
        sent.append(len(texts))
    assert sent[0] == sent[1] <= 60
