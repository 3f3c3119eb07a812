"""Recording what counters show: kept once, told where wrong, counted at once."""

import json
import uuid
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.strokes.counters import (
    ACTOR,
    NOW,
    counter_event,
    derived,
    hours_of,
    make_plant,
    reading,
)
from tests.support.statements import Statements
from tracelog.audit import AuditRecord, broken_links
from tracelog.outcomes import Became, Outcome
from tracelog.strokes.actions import record_counter_events, record_readings
from tracelog.strokes.models import Reading
from tracelog.strokes.queries import open_questions
from tracelog.strokes.rules import CLOCKS_DIFFER, CounterLimits

KNOWN = CounterLimits(counter_max=999_999, rated_spm=300)
NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)


@pytest.fixture
def machines(session: Session) -> dict[int, uuid.UUID]:
    return make_plant(session, "Europe/Madrid", {7: KNOWN, 8: CounterLimits()})


def became(outcomes: list[Outcome]) -> list[str]:
    return [outcome.became.value for outcome in outcomes]


def fault(outcome: Outcome) -> tuple[str, str]:
    assert outcome.became is Became.REFUSED
    (found,) = outcome.faults
    return found.field, found.sentence


def test_readings_are_kept_and_counted_per_hour(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [
        reading(7, "2026-03-02T09:30Z", 1_000),
        reading(7, "2026-03-02T11:10Z", 21_000),
        reading(8, "2026-03-02T09:00Z", 5),
    ]
    assert became(record_readings(session, facts, ACTOR, NOW)) == ["created"] * 3
    hours = hours_of(session, machines[7], NINE, NINE + timedelta(days=1))
    assert [(hour.hour_at.hour, hour.strokes, hour.total_before) for hour in hours] == [
        (9, 6_000, 0),
        (10, 12_000, 6_000),
        (11, 2_000, 18_000),
    ]
    (alone,) = hours_of(session, machines[8], NINE, NINE + timedelta(days=1))
    assert (alone.hour_at, alone.strokes, alone.total_before) == (NINE, 0, 0)


def test_sending_the_same_again_changes_nothing(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [reading(7, NINE, 1_000), reading(7, NINE + timedelta(hours=1), 9_000)]
    record_readings(session, facts, ACTOR, NOW)
    before = derived(session)
    again = record_readings(session, [*facts, facts[0]], ACTOR, NOW)
    assert became(again) == ["unchanged"] * 3
    assert derived(session) == before
    assert session.execute(select(func.count()).select_from(AuditRecord)).scalar_one() == 1


def test_another_figure_at_the_same_instant_is_refused(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    record_readings(session, [reading(7, NINE, 1_000)], ACTOR, NOW)
    facts = [reading(7, NINE, 1_001), reading(7, NINE + timedelta(hours=1), 4_000)]
    refused, created = record_readings(session, facts, ACTOR, NOW)
    assert fault(refused) == (
        "strokes",
        "1001 contradicts 1000, which was accepted before for 1-7 at 2026-03-02T09:00:00Z"
        " and stands; send 1000 or leave the row out",
    )
    assert created.became is Became.CREATED
    assert session.execute(select(func.count()).select_from(Reading)).scalar_one() == 2


def test_two_rows_of_one_batch_that_contradict_each_other_are_told(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [reading(7, NINE, 1_000), reading(7, NINE, 1_000), reading(7, NINE, 2_000)]
    outcomes = record_readings(session, facts, ACTOR, NOW)
    assert became(outcomes) == ["created", "unchanged", "refused"]
    assert fault(outcomes[2]) == (
        "strokes",
        "2000 contradicts another row sent with it, which has 1000 for 1-7 at"
        " 2026-03-02T09:00:00Z; send one of the two",
    )


def test_a_figure_above_the_counters_last_is_refused(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [reading(7, NINE, 1_000_000), reading(8, NINE, 1_000_000)]
    above, no_limit = record_readings(session, facts, ACTOR, NOW)
    assert fault(above) == (
        "strokes",
        "1000000 is above 999999, the last figure of the counter of 1-7; send what the counter"
        " shows, or correct counter_max of the machine first",
    )
    assert no_limit.became is Became.CREATED


def test_an_unknown_machine_is_told_at_its_field(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    no_number = reading(9, NINE, 5)
    no_line = no_number.model_copy(update={"line": 4})
    outcomes = record_readings(session, [no_number, no_line], ACTOR, NOW)
    assert fault(outcomes[0]) == ("bodymaker", "line 1 has no bodymaker 9; it has 7, 8")
    assert fault(outcomes[1]) == ("line", "there is no line 4; lines are 1")
    assert session.execute(select(func.count()).select_from(AuditRecord)).scalar_one() == 0


def test_a_figure_from_a_time_ahead_is_refused(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    latest = NOW + CLOCKS_DIFFER
    facts = [reading(7, latest, 1_000), reading(7, latest + timedelta(seconds=1), 1_001)]
    taken, ahead = record_readings(session, facts, ACTOR, NOW)
    assert taken.became is Became.CREATED
    assert fault(ahead) == (
        "read_at",
        "2026-06-04T09:40:01Z lies ahead of the present, 2026-06-04T09:30:00Z; send the instant"
        " at which it was so, or set the clock that is wrong",
    )


def test_a_database_without_a_plant_refuses_every_reading(session: Session) -> None:
    (outcome,) = record_readings(session, [reading(7, NINE, 5)], ACTOR, NOW)
    assert fault(outcome)[0] == "line"


def test_a_late_reading_changes_the_hours_around_it_and_no_total_after_them(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [reading(7, NINE + timedelta(hours=n), 10_000 * n) for n in (0, 4, 5, 6)]
    record_readings(session, facts, ACTOR, NOW)
    record_readings(session, [reading(7, NINE + timedelta(hours=2), 4_000)], ACTOR, NOW)
    hours = hours_of(session, machines[7], NINE, NINE + timedelta(days=1))
    assert [hour.strokes for hour in hours] == [2_000, 2_000, 18_000, 18_000, 10_000, 10_000, 0]
    assert [hour.total_before for hour in hours][4:] == [40_000, 50_000, 60_000]


def test_a_late_event_moves_all_later_totals(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [reading(7, NINE + timedelta(hours=n), 10_000 * n) for n in range(6)]
    record_readings(session, facts, ACTOR, NOW)
    event = counter_event(7, NINE + timedelta(hours=1, minutes=30), 15_000, "preset")
    record_counter_events(session, [event], ACTOR, NOW)
    hours = hours_of(session, machines[7], NINE, NINE + timedelta(days=1))
    assert [hour.strokes for hour in hours] == [10_000, 5_000, 10_000, 10_000, 10_000, 0]
    assert [hour.total_before for hour in hours] == [0, 10_000, 15_000, 25_000, 35_000, 45_000]


def test_a_fall_stays_a_question_until_an_event_explains_it(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    hour = timedelta(hours=1)
    facts = [reading(8, NINE, 50_000), reading(8, NINE + hour, 9_000)]
    record_readings(session, facts, ACTOR, NOW)
    (question,) = open_questions(session, machines[8])
    assert (question.from_at, question.to_at) == (NINE, NINE + hour)
    assert (question.from_strokes, question.to_strokes) == (50_000, 9_000)
    record_counter_events(session, [counter_event(8, NINE + hour / 2, 0)], ACTOR, NOW)
    assert open_questions(session) == []
    first, _last = hours_of(session, machines[8], NINE, NINE + 2 * hour)
    assert first.strokes == 9_000


def test_one_reading_leaves_its_values_in_the_audit_trail(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    record_readings(session, [reading(7, NINE, 1_000)], ACTOR, NOW)
    record = session.execute(select(AuditRecord)).scalar_one()
    assert (record.action, record.subject_kind) == ("record reading", "reading")
    assert record.subject == "1-7 2026-03-02T09:00:00Z"
    assert record.after is not None
    assert json.loads(record.after)["strokes"] == 1_000
    assert session.execute(select(Reading.audit_id)).scalar_one() == record.id


def test_many_readings_leave_one_audit_record_with_their_digest(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    facts = [reading(7, NINE + timedelta(hours=n), 9_000 * n) for n in range(3)]
    record_readings(session, [*facts, reading(9, NINE, 1)], ACTOR, NOW)
    record = session.execute(select(AuditRecord)).scalar_one()
    assert record.after is not None
    after = json.loads(record.after)
    assert after["counts"] == {"created": 3, "refused": 1}
    assert (after["first"], after["last"]) == (
        "1-7 2026-03-02T09:00:00Z",
        "1-7 2026-03-02T11:00:00Z",
    )
    assert len(after["sha256"]) == 64
    assert broken_links(session) == []


def test_the_number_of_statements_does_not_grow_with_the_readings(
    session: Session, machines: dict[int, uuid.UUID], statements: Statements
) -> None:
    def sent(count: int, days: int) -> int:
        start = NINE + timedelta(days=days)
        facts = [
            reading(number, start + timedelta(minutes=n), 9_000 * days + n)
            for number in (7, 8)
            for n in range(count)
        ]
        with statements.counted() as texts:
            record_readings(session, facts, ACTOR, NOW)
        return len(texts)

    sent(1, 0)
    few, many = sent(2, 1), sent(600, 2)
    assert many <= few  # rows that are copied in are not seen as statements
    assert few <= 25
