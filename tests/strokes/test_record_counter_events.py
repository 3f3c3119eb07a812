"""Recording what was done to counters."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from tests.strokes.counters import ACTOR, NOW, counter_event, make_plant, reading
from tracelog.audit import AuditRecord
from tracelog.outcomes import Outcome
from tracelog.strokes.actions import record_counter_events, record_readings
from tracelog.strokes.models import CounterEventRow
from tracelog.strokes.queries import total_at
from tracelog.strokes.rules import CounterLimits

NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def machines(session: Session) -> dict[int, uuid.UUID]:
    limits = CounterLimits(counter_max=999_999, rated_spm=300)
    return make_plant(session, "Asia/Kolkata", {7: limits})


def faults(outcomes: list[Outcome]) -> list[tuple[str, str]]:
    return [(fault.field, fault.sentence) for outcome in outcomes for fault in outcome.faults]


def test_an_event_is_kept_with_what_the_counter_showed_after(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [counter_event(7, NINE, 1_200, "replaced")]
    (outcome,) = record_counter_events(session, facts, ACTOR, NOW)
    assert outcome.became.value == "created"
    row = session.execute(select(CounterEventRow)).scalar_one()
    assert (row.machine_id, row.at, row.event, row.strokes_after) == (
        machines[7],
        NINE,
        "replaced",
        1_200,
    )
    assert session.execute(select(AuditRecord.id)).scalar_one() == row.audit_id


def test_the_same_event_again_changes_nothing_and_another_is_refused(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    record_counter_events(session, [counter_event(7, NINE, 0)], ACTOR, NOW)
    outcomes = record_counter_events(
        session,
        [
            counter_event(7, NINE, 0),
            counter_event(7, NINE, 5),
            counter_event(7, NINE, 0, "replaced"),
        ],
        ACTOR,
        NOW,
    )
    assert [outcome.became.value for outcome in outcomes] == ["unchanged", "refused", "refused"]
    assert faults(outcomes) == [
        (
            "strokes_after",
            "5 contradicts 0, which was accepted before for 1-7 at 2026-03-02T09:00:00Z and"
            " stands; send 0 or leave the row out",
        ),
        (
            "event",
            "replaced contradicts reset, which was accepted before for 1-7 at"
            " 2026-03-02T09:00:00Z and stands; send reset or leave the row out",
        ),
    ]


def test_a_figure_above_the_counters_last_is_refused(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    outcomes = record_counter_events(session, [counter_event(7, NINE, 10**6)], ACTOR, NOW)
    ((field, sentence),) = faults(outcomes)
    assert field == "strokes_after"
    assert "1000000 is above 999999" in sentence


def test_an_event_that_lies_ahead_is_refused(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    outcomes = record_counter_events(session, [counter_event(7, NOW + HOUR, 0)], ACTOR, NOW)
    ((field, sentence),) = faults(outcomes)
    assert field == "at"
    assert "lies ahead of the present" in sentence


def test_an_unknown_machine_is_told_at_its_field(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    outcomes = record_counter_events(session, [counter_event(9, NINE, 0)], ACTOR, NOW)
    assert faults(outcomes) == [("bodymaker", "line 1 has no bodymaker 9; it has 7")]


def test_strokes_before_the_event_are_not_counted(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [reading(7, NINE, 50_000), reading(7, NINE + 2 * HOUR, 9_000)]
    record_readings(session, facts, ACTOR, NOW)
    record_counter_events(session, [counter_event(7, NINE + HOUR, 0)], ACTOR, NOW)
    half_past = [NINE + (n - 0.5) * HOUR for n in (1, 2)]  # hours of the plant's clock
    ends = [
        total_at(session, [machines[7]], at)[machines[7]] for at in (*half_past, NINE + 2 * HOUR)
    ]
    assert ends == [0, 4_500, 9_000]
