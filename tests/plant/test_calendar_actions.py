"""Recording planned periods, moving them and taking them back: what was known stays known."""

import json
import uuid
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tracelog.audit import Actor, AuditRecord, broken_links
from tracelog.errors import BadFact, Conflict, NotFound
from tracelog.outcomes import CHANGED, COMPLETED, CREATED, UNCHANGED, Became
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.calendar import planned_periods
from tracelog.plant.calendar_actions import (
    move_planned_period,
    record_planned_periods,
    withdraw_planned_period,
)
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.plant.facts import LineFact, MachineFact, PlantFact

ACTOR = Actor("Robin", "planner", "page")
ZONE = ZoneInfo("Europe/Madrid")
NOW = datetime(2026, 3, 1, 9, tzinfo=UTC)
LATER = datetime(2026, 3, 4, 9, tzinfo=UTC)
FIRST, SECOND, THIRD = (str(uuid.UUID(int=n, version=4)) for n in (1, 2, 3))


@pytest.fixture
def plant(session: Session) -> Session:
    """A plant of two lines, a bodymaker 7 on the first and 1 on the second."""
    record_plant(
        session, [PlantFact.read({"name": "Alder", "time_zone": ZONE.key}, ZONE)], ACTOR, NOW
    )
    record_lines(session, [LineFact.read({"line": n}, ZONE) for n in (1, 2)], ACTOR, NOW)
    machines = [
        MachineFact.read({"line": line, "station": "bodymaker", "number": number}, ZONE)
        for line, number in ((1, 7), (2, 1))
    ]
    record_machines(session, machines, ACTOR, NOW)
    return session


def fact(**values: Any) -> PlannedPeriodFact:
    usual = {
        "id": FIRST,
        "kind": "stop",
        "line": 1,
        "starts_at": "2026-03-10T06:00",
        "ends_at": "2026-03-10T14:00",
        "reason": "cleaning",
    }
    return PlannedPeriodFact.read(usual | values, ZONE)


def standing(session: Session, as_of: datetime | None = None) -> list[tuple[str, str, str | None]]:
    span = datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)
    return [
        (str(one.id), f"{one.starts_at:%d %H:%M}", one.reason)
        for one in planned_periods(session, *span, as_of=as_of)
    ]


def last_audit(session: Session) -> AuditRecord:
    return session.execute(
        select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    ).scalar_one()


def test_a_period_is_kept_in_utc_and_the_same_again_changes_nothing(plant: Session) -> None:
    assert record_planned_periods(plant, [fact()], ACTOR, NOW) == [CREATED]
    assert standing(plant) == [(FIRST, "10 05:00", "cleaning")]
    assert record_planned_periods(plant, [fact()], ACTOR, NOW) == [UNCHANGED]
    assert not broken_links(plant)


def test_what_is_said_of_a_known_period_replaces_what_was_said_and_is_audited(
    plant: Session,
) -> None:
    record_planned_periods(plant, [fact()], ACTOR, NOW)
    new = fact(reason="deep cleaning", ends_at="2026-03-10T18:00")
    assert record_planned_periods(plant, [new], ACTOR, NOW) == [CHANGED]
    record = last_audit(plant)
    before, after = json.loads(record.before or ""), json.loads(record.after or "")
    assert (before["ends_at"], after["ends_at"]) == ("2026-03-10T13:00:00Z", "2026-03-10T17:00:00Z")
    assert (before["reason"], after["reason"]) == ("cleaning", "deep cleaning")
    assert record.action == "record planned periods"


@pytest.mark.parametrize(
    ("values", "field", "told"),
    [
        ({"line": 9}, "line", "there is no line 9; lines are 1, 2"),
        ({"bodymaker": 8}, "bodymaker", "line 1 has no bodymaker 8; it has 7"),
    ],
)
def test_a_place_that_is_not_there_is_told(
    plant: Session, values: dict[str, Any], field: str, told: str
) -> None:
    (outcome,) = record_planned_periods(plant, [fact(**values)], ACTOR, NOW)
    assert outcome.became is Became.REFUSED
    assert [(one.field, one.sentence) for one in outcome.faults] == [(field, told)]


@pytest.mark.parametrize(
    ("values", "field"),
    [
        # Blank leaves the bodymaker of line 1 as it was, and that is not on line 2.
        ({"line": 2}, "line"),
        ({"withdrawn_at": "2026-02-01T00:00Z"}, "withdrawn_at"),
    ],
)
def test_what_would_contradict_what_was_known_is_refused(
    plant: Session, values: dict[str, Any], field: str
) -> None:
    known = fact(bodymaker=7, announced_at="2026-02-10T00:00Z")
    record_planned_periods(plant, [known], ACTOR, NOW)
    (outcome,) = record_planned_periods(plant, [fact(**values)], ACTOR, NOW)
    assert [one.field for one in outcome.faults] == [field]


def test_a_withdrawn_period_stands_no_more_but_did_before(plant: Session) -> None:
    record_planned_periods(plant, [fact()], ACTOR, NOW)
    assert withdraw_planned_period(plant, uuid.UUID(FIRST), ACTOR, LATER) == COMPLETED
    assert standing(plant) == []
    assert standing(plant, as_of=NOW) == [(FIRST, "10 05:00", "cleaning")]
    assert standing(plant, as_of=LATER) == []
    record = last_audit(plant)
    assert record.action == "withdraw planned period"
    assert json.loads(record.before or "")["withdrawn_at"] is None
    assert json.loads(record.after or "")["withdrawn_at"] == "2026-03-04T09:00:00Z"
    assert withdraw_planned_period(plant, uuid.UUID(FIRST), ACTOR, LATER) == UNCHANGED


def test_a_withdrawal_is_not_taken_back_by_the_same_row_without_it(plant: Session) -> None:
    record_planned_periods(plant, [fact()], ACTOR, NOW)
    withdraw_planned_period(plant, uuid.UUID(FIRST), ACTOR, LATER)
    assert record_planned_periods(plant, [fact()], ACTOR, LATER) == [UNCHANGED]
    assert standing(plant) == []


def test_a_withdrawal_says_when_it_is_wrong(plant: Session) -> None:
    record_planned_periods(plant, [fact(announced_at="2026-03-02T00:00Z")], ACTOR, NOW)
    with pytest.raises(BadFact, match="lies ahead"):
        withdraw_planned_period(
            plant, uuid.UUID(FIRST), ACTOR, LATER, at=datetime(2026, 3, 5, tzinfo=UTC)
        )
    with pytest.raises(BadFact, match="before the period was announced, 2026-03-02"):
        withdraw_planned_period(plant, uuid.UUID(FIRST), ACTOR, LATER, at=NOW)
    with pytest.raises(NotFound, match="no planned period"):
        withdraw_planned_period(plant, uuid.UUID(SECOND), ACTOR, LATER)


def test_a_moved_period_is_withdrawn_and_a_new_one_stands_from_then_on(plant: Session) -> None:
    record_planned_periods(plant, [fact(uid="weekly-1")], ACTOR, NOW)
    new = fact(id=SECOND, starts_at="2026-03-11T06:00", ends_at="2026-03-11T14:00")
    moved = move_planned_period(plant, uuid.UUID(FIRST), new, ACTOR, LATER)
    assert (moved.outcome, str(moved.period_id)) == (CREATED, SECOND)
    assert standing(plant) == [(SECOND, "11 05:00", "cleaning")]
    assert standing(plant, as_of=NOW) == [(FIRST, "10 05:00", "cleaning")]
    assert standing(plant, as_of=LATER) == [(SECOND, "11 05:00", "cleaning")]
    (view,) = planned_periods(plant, LATER, datetime(2027, 1, 1, tzinfo=UTC))
    assert (view.uid, view.announced_at) == ("weekly-1", LATER)
    assert last_audit(plant).action == "move planned period"
    # The same again, sent twice by a shaky line.
    again = move_planned_period(plant, uuid.UUID(FIRST), new, ACTOR, LATER)
    assert (again.outcome, str(again.period_id)) == (UNCHANGED, SECOND)


def test_a_new_reason_alone_is_put_right_in_place(plant: Session) -> None:
    record_planned_periods(plant, [fact()], ACTOR, NOW)
    moved = move_planned_period(
        plant, uuid.UUID(FIRST), fact(id=SECOND, reason="label change"), ACTOR, LATER
    )
    assert (moved.outcome, str(moved.period_id)) == (CHANGED, FIRST)
    assert standing(plant) == [(FIRST, "10 05:00", "label change")]
    same = move_planned_period(
        plant, uuid.UUID(FIRST), fact(id=SECOND, reason="label change"), ACTOR, LATER
    )
    assert same.outcome == UNCHANGED


def test_who_changes_a_period_that_another_has_moved_or_withdrawn_is_told(plant: Session) -> None:
    record_planned_periods(plant, [fact()], ACTOR, NOW)
    first = fact(id=SECOND, ends_at="2026-03-10T16:00")
    move_planned_period(plant, uuid.UUID(FIRST), first, ACTOR, LATER)
    second = fact(id=THIRD, ends_at="2026-03-10T12:00")
    with pytest.raises(Conflict, match="withdrawn or changed by somebody at 2026-03-04T09:00:00Z"):
        move_planned_period(plant, uuid.UUID(FIRST), second, ACTOR, LATER)
    assert [period_id for period_id, _at, _why in standing(plant)] == [SECOND]


def test_a_move_does_not_take_the_id_of_another_period(plant: Session) -> None:
    record_planned_periods(plant, [fact(), fact(id=SECOND, line=2)], ACTOR, NOW)
    with pytest.raises(Conflict, match="the id of another period"):
        move_planned_period(plant, uuid.UUID(FIRST), fact(id=SECOND, line=2), ACTOR, LATER)


def test_the_number_of_statements_does_not_grow_with_the_periods(
    plant: Session, statements: Statements
) -> None:
    def sent(count: int) -> int:
        facts = [fact(id=str(uuid.uuid4())) for _ in range(count)]
        with statements.counted() as texts:
            record_planned_periods(plant, facts, ACTOR, NOW)
        return len(texts)

    assert sent(2) == sent(15)
