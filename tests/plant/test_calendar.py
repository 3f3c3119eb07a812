"""Reading the calendar: what is planned within a time, as known at an instant."""

import uuid
from datetime import UTC, datetime

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tracelog.audit import Actor, Subject, append
from tracelog.plant.calendar import planned_periods
from tracelog.plant.calendar_rules import PeriodKind
from tracelog.plant.models import Line, PlannedPeriod, Plant

ACTOR = Actor("Robin", "planner", "page")


def on(day: int, hour: int = 0) -> datetime:
    return datetime(2026, 3, day, hour, tzinfo=UTC)


@pytest.fixture
def calendar(session: Session) -> dict[str, uuid.UUID]:
    """Four periods: a cleaning, a holiday announced on the 5th, one withdrawn on the 8th."""
    audit_id = append(session, ACTOR, on(1), "record", Subject("planned periods", "four"))
    plant = Plant(name="Test", time_zone="Europe/Madrid")
    session.add(plant)
    session.flush()
    line = Line(plant_id=plant.id, line=1)
    session.add(line)
    session.flush()
    rows = {
        "cleaning": PlannedPeriod(
            kind="stop", line_id=line.id, starts_at=on(10, 6), ends_at=on(10, 14)
        ),
        "holiday": PlannedPeriod(
            kind="stop", starts_at=on(10, 6), ends_at=on(10, 14), announced_at=on(5)
        ),
        "busy": PlannedPeriod(
            kind="no service", line_id=line.id, starts_at=on(12), ends_at=on(13), announced_at=on(5)
        ),
        "dropped": PlannedPeriod(
            kind="stop", line_id=line.id, starts_at=on(9), ends_at=on(11), withdrawn_at=on(8)
        ),
    }
    for row in rows.values():
        row.audit_id = audit_id
        session.add(row)
    session.flush()
    return {name: row.id for name, row in rows.items()}


def names(
    session: Session,
    calendar: dict[str, uuid.UUID],
    start: datetime,
    end: datetime,
    as_of: datetime | None = None,
    kind: PeriodKind | None = None,
) -> list[str]:
    back = {period_id: name for name, period_id in calendar.items()}
    return [back[p.id] for p in planned_periods(session, start, end, as_of=as_of, kind=kind)]


def test_what_stands_comes_in_order_with_the_plants_before_those_of_lines(
    session: Session, calendar: dict[str, uuid.UUID]
) -> None:
    assert names(session, calendar, on(1), on(20)) == ["holiday", "cleaning", "busy"]


def test_an_end_is_left_out_at_both_sides(session: Session, calendar: dict[str, uuid.UUID]) -> None:
    assert names(session, calendar, on(10, 14), on(12)) == []
    assert names(session, calendar, on(10, 13), on(12)) == ["holiday", "cleaning"]


def test_only_one_kind_can_be_asked_for(session: Session, calendar: dict[str, uuid.UUID]) -> None:
    assert names(session, calendar, on(1), on(20), kind=PeriodKind.NO_SERVICE) == ["busy"]


def test_as_known_earlier_what_was_not_announced_is_missing_and_what_was_withdrawn_later_stands(
    session: Session, calendar: dict[str, uuid.UUID]
) -> None:
    assert names(session, calendar, on(1), on(20), as_of=on(4)) == ["dropped", "cleaning"]
    assert names(session, calendar, on(1), on(20), as_of=on(5)) == [
        *("dropped", "holiday", "cleaning", "busy"),
    ]
    assert names(session, calendar, on(1), on(20), as_of=on(8)) == ["holiday", "cleaning", "busy"]


def test_the_calendar_is_read_with_one_statement(
    session: Session, calendar: dict[str, uuid.UUID], statements: Statements
) -> None:
    statements.clear()
    planned_periods(session, on(1), on(20), as_of=on(6), kind=PeriodKind.STOP)
    assert len(statements) == 1
