"""Forecasts move with what is planned, with how a machine runs, and know nothing of later."""

import uuid
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import ACTOR, HOURS, WRITTEN_AT, ZONE, hour, kept
from tracelog.plant.queries import directory
from tracelog.service.forecasts import forecast_of, outlooks
from tracelog.service.outlook import Outlook
from tracelog.service.queries import ServiceStanding, service_standings
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact

TODAY = date(2026, 3, 4)
DAY = 24 * 12_000


def plan_stop(session: Session, first: int, days: int, **more: Any) -> None:
    """A planned stop of so many whole days, beginning so many days after the present one."""
    plant.plan_period(session, "stop", TODAY + timedelta(days=first), days, **more)


def standing(session: Session, machine: str = "1-1", as_of: float = HOURS) -> ServiceStanding:
    [found] = [
        one
        for one in service_standings(session, hour(as_of))
        if (one.machine.text, one.level.service) == (machine, "minor")
    ]
    return found


def outlook(session: Session, machine: str = "1-1") -> Outlook:
    [machine_id] = [one.id for one in directory(session).bodymakers if one.text == machine]
    return outlooks(session, hour(HOURS), 60)[machine_id]


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_levels(session)


@pytest.fixture
def steady(session: Session) -> None:
    plant.write_readings(session)
    plant.serve(session, "1-1", "major", HOURS)


def test_an_instant_without_readings_has_no_forecast(session: Session) -> None:
    assert forecast_of(session, hour(HOURS)).prospects == {}
    assert outlooks(session, hour(HOURS), 30) == {}
    assert standing(session).due.by == "never"


@pytest.mark.usefixtures("steady")
def test_a_planned_stop_ahead_moves_the_date_by_its_length(session: Session) -> None:
    assert standing(session).due.due == date(2026, 3, 7)
    plan_stop(session, 2, 5, line=2)
    assert standing(session).due.due == date(2026, 3, 7)  # another line's
    plan_stop(session, 2, 5, line=1)
    assert standing(session).due.due == date(2026, 3, 12)
    plan_stop(session, 30, 5)
    assert standing(session).due.due == date(2026, 3, 12)  # after it


@pytest.mark.usefixtures("steady")
def test_a_stop_counts_from_when_it_was_announced(session: Session) -> None:
    then = hour(HOURS)
    plan_stop(session, 2, 5, announced_at=(then + timedelta(hours=1)).isoformat())
    assert standing(session).due.due == date(2026, 3, 7)
    assert standing(session, as_of=HOURS + 2).due.due == date(2026, 3, 12)


@pytest.mark.usefixtures("steady")
def test_the_outlook_has_no_hours_and_no_strokes_in_a_planned_stop(session: Session) -> None:
    plan_stop(session, 2, 5)
    found = outlook(session)
    assert found.hours_up[2:7].tolist() == [0.0] * 5
    assert found.hours_up[10] == 24
    assert found.expected[2:7].tolist() == [0.0] * 5
    mean, deviation = found.between(TODAY + timedelta(days=1), TODAY + timedelta(days=6))
    assert (mean, deviation) == (pytest.approx(0, abs=1), pytest.approx(0, abs=1))
    whole, _spread = found.between(None, TODAY + timedelta(days=30))
    parts = [
        found.between(None, TODAY + timedelta(days=12))[0],
        found.between(TODAY + timedelta(days=12), TODAY + timedelta(days=30))[0],
    ]
    assert sum(parts) == pytest.approx(whole)
    with pytest.raises(ValueError, match="beyond the outlook"):
        found.between(None, TODAY + timedelta(days=61))
    with pytest.raises(ValueError, match="lies before"):
        found.between(TODAY + timedelta(days=2), TODAY)


def read_by_day(session: Session, hours_of_day: list[int]) -> None:
    """Machine 1-1 read every hour; on each day it runs its first so many hours at 12,000."""
    made, facts = 0, []
    for day, running in enumerate(hours_of_day):
        for number in range(24):
            made += 12_000 if number < running else 0
            at = 24 * day + number + 1
            facts.append(ReadingFact(line=1, bodymaker=1, read_at=hour(at), strokes=made))
    kept(record_readings(session, facts, ACTOR, max(WRITTEN_AT, hour(24 * len(hours_of_day)))))


def test_a_machine_that_rests_at_weekends_is_not_due_at_weekends(session: Session) -> None:
    """The first day is a Monday; the history ends on a Tuesday morning."""
    assert hour(0).astimezone(ZONE).weekday() == 0
    read_by_day(session, [0 if day % 7 in (5, 6) else 24 for day in range(8 * 7)])
    plant.serve(session, "1-1", "major", 24 * 7 * 8)
    mondays = hour(24 * 7 * 8).astimezone(ZONE).date()
    [found] = [
        prospect
        for prospect in forecast_of(session, hour(24 * 7 * 8)).prospects.values()
        if prospect.outlook is not None
    ]
    one = found.outlook
    assert one is not None
    assert one.days[0] == mondays
    saturday, sunday = (place for place in (5, 6))
    assert one.expected[sunday] < 0.05 * DAY
    assert one.expected[saturday] < 0.35 * DAY  # its day ends at six on Saturday morning
    assert one.expected[2] == pytest.approx(DAY, rel=0.05)
    [due] = found.when([7.0 * DAY])
    assert due is not None
    # Five running days, two of rest, two more.
    assert due.middle == 9


def test_a_machine_that_stands_is_told_and_is_due_later_and_less_surely(session: Session) -> None:
    read_by_day(session, [24] * 40 + [0] * 4)
    as_of = 24 * 44
    found = standing(session, as_of=as_of)
    assert found.idle_since == hour(24 * 40)
    [prospect] = forecast_of(session, hour(as_of)).prospects.values()
    [expected] = prospect.when([3.0 * DAY])
    assert expected is not None
    assert expected.middle - 3 == pytest.approx(4, abs=1.5)
    assert expected.late - expected.early > 20


def test_what_ran_slower_lately_is_due_later(session: Session) -> None:
    """Six weeks at full speed, then two at 80 %: the forecast follows the last ones."""
    made, facts = 0, []
    for at in range(1, 24 * 56 + 1):
        made += 12_000 if at <= 24 * 42 else 9_600
        facts.append(ReadingFact(line=1, bodymaker=1, read_at=hour(at), strokes=made))
    kept(record_readings(session, facts, ACTOR, max(WRITTEN_AT, hour(24 * 56))))
    [prospect] = forecast_of(session, hour(24 * 56)).prospects.values()
    [expected] = prospect.when([10.0 * 24 * 9_600])
    assert expected is not None
    assert expected.exact[1] == pytest.approx(10.2, abs=0.8)  # 8 at full speed


@pytest.mark.usefixtures("steady")
def test_forecasts_of_all_machines_take_a_fixed_number_of_statements(
    session: Session, statements: Statements
) -> None:
    def asked() -> int:
        session.flush()
        session.expunge_all()
        with statements.counted() as texts:
            forecast_of(session, hour(HOURS) + timedelta(seconds=len(texts)))
        return len(texts)

    plant.serve(session, "1-2", "major", 100)
    before = asked()
    for at in range(120, 400, 40):
        plant.serve(session, "2-1", "minor", at)
    for first in range(2, 40, 4):
        plan_stop(session, first, 1, uid=str(uuid.uuid4()))
    assert asked() <= before
