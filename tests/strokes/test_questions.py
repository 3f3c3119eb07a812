"""What is open about counters: jumps with what is likely, silences, and what was settled."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from tests.strokes.counters import ACTOR, NOW, make_plant, reading, settlement
from tests.support.statements import Statements
from tracelog.plant.calendar_actions import record_planned_periods
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.strokes.actions import record_readings
from tracelog.strokes.answers import questions_answer
from tracelog.strokes.question_rules import QuestionKind
from tracelog.strokes.questions import jump_questions, settled_jumps, silences
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlement_actions import record_counter_settlements

NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)
FELL = NINE + 50 * HOUR
ROSE = NINE + 60 * HOUR
END = NINE + 70 * HOUR


@pytest.fixture
def machines(session: Session) -> dict[int, uuid.UUID]:
    """Read every hour, 12,000 strokes each; 7 fell once, 8 rose once far too fast; 9 never read."""
    numbers = make_plant(
        session, "Europe/Madrid", dict.fromkeys((7, 8, 9), CounterLimits(99_999_999, 300))
    )
    facts = []
    for n in range(71):
        at = NINE + n * HOUR
        facts.append(reading(7, at, 900_000 + 12_000 * n - (800_000 if at >= FELL else 0)))
        facts.append(reading(8, at, 12_000 * n + (9_000_000 if at >= ROSE else 0)))
    record_readings(session, facts, ACTOR, NOW)
    return numbers


def test_a_jump_is_told_with_what_is_likely(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    fell, rose = jump_questions(session, END)
    assert (fell.machine.text, fell.kind) == ("1-7", QuestionKind.BACKWARD_JUMP)
    assert (fell.figures.to_at, fell.figures.rise) == (FELL, 12_000 - 800_000)
    assert (fell.estimate, fell.shown) == (12_000, None)
    assert (rose.machine.text, rose.kind) == ("1-8", QuestionKind.IMPROBABLE_RATE)
    assert (rose.estimate, rose.shown) == (12_000, 9_012_000)
    assert [one.machine.text for one in jump_questions(session, FELL)] == ["1-7"]
    assert jump_questions(session, FELL - HOUR) == []


def test_a_counter_is_silent_once_it_was_not_read_for_long_or_never(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    assert [one.machine.number for one in silences(session, END + 6 * HOUR).values()] == [9]
    found = silences(session, END + 6.1 * HOUR)
    assert [one.machine.number for one in found.values()] == [7, 8, 9]
    silent, never = found[machines[8]], found[machines[9]]
    assert (silent.last_at, silent.strokes, silent.usual) == (END, 9_840_000, HOUR)
    assert (never.last_at, never.strokes, never.usual) == (None, None, None)
    assert list(silences(session, END + 9 * HOUR, machines[7])) == [machines[7]]


def test_a_wrong_reading_ends_no_silence(session: Session, machines: dict[int, uuid.UUID]) -> None:
    late = END + 20 * HOUR
    record_readings(session, [reading(7, late, 99)], ACTOR, NOW)
    assert machines[7] not in silences(session, late)
    wrong = settlement(7, late, verdict="misread", settled_at=late + HOUR)
    record_counter_settlements(session, [wrong], ACTOR, NOW)
    assert machines[7] in silences(session, late + HOUR)
    assert machines[7] not in silences(session, late)


def test_behind_many_wrong_readings_the_last_right_one_is_found(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    said = [
        settlement(7, NINE + n * HOUR, verdict="misread", settled_at=END + HOUR)
        for n in range(40, 71)
    ]
    record_counter_settlements(session, said, ACTOR, NOW)
    found = silences(session, END + 2 * HOUR)[machines[7]]
    assert (found.last_at, found.usual) == (NINE + 39 * HOUR, HOUR)


def test_the_time_for_which_a_machine_was_to_stand_is_no_silence(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    stop = {"kind": "stop", "line": 1, "bodymaker": 7, "starts_at": END + HOUR}
    fact = PlannedPeriodFact.model_validate({**stop, "ends_at": END + 25 * HOUR})
    (outcome,) = record_planned_periods(session, [fact], ACTOR, NOW)
    assert outcome.is_kept
    assert machines[7] not in silences(session, END + 29 * HOUR)
    assert machines[8] in silences(session, END + 29 * HOUR)
    assert machines[7] in silences(session, END + 31.1 * HOUR)


def test_what_was_settled_is_told_and_whether_it_counts(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    at = END + HOUR
    said = [
        settlement(7, FELL, (FELL - HOUR, 11_000), settled_at=at),
        settlement(8, ROSE, (ROSE - 5 * HOUR, 9), settled_at=at + HOUR),
        settlement(8, END, verdict="misread", settled_at=at + 2 * HOUR),
        settlement(8, NINE, verdict="open", settled_at=at + 3 * HOUR),
    ]
    record_counter_settlements(session, said, ACTOR, NOW)
    found = settled_jumps(session, END + 9 * HOUR, 10)
    assert [(one.machine.number, one.is_in_force) for one in found] == [
        (8, True),
        (8, False),
        (7, True),
    ]
    assert [one.figure for one in found] == [9_840_000, 9_720_000, 700_000]
    (rose,) = jump_questions(session, END + 9 * HOUR)
    assert rose.last_settlement is not None
    assert rose.last_settlement.settled_at == at + HOUR
    then = questions_answer(session, at, settled=True)
    assert [one["kind"] for one in then["questions"]] == ["improbable rate", "silence"]
    assert [one["in_force"] for one in then["settled"]] == [True]
    before = questions_answer(session, END, machines[7], settled=True)
    assert [one["strokes_estimated"] for one in before["questions"]] == [12_000]
    assert before["settled"] == []


def test_the_number_of_statements_is_fixed(
    session: Session, machines: dict[int, uuid.UUID], statements: Statements
) -> None:
    def sent() -> int:
        with statements.counted() as texts:
            questions_answer(session, END + 20 * HOUR, settled=True)
        return len(texts)

    few = sent()
    facts = [reading(9, NINE + n * HOUR, 500_000 - 1_000 * n) for n in range(40)]
    record_readings(session, facts, ACTOR, NOW)
    at = END + HOUR
    said = [settlement(9, NINE + n * HOUR, verdict="misread", settled_at=at) for n in range(1, 9)]
    record_counter_settlements(session, said, ACTOR, NOW)
    # What is asked once something is settled: figures and stretches of what was decided.
    assert sent() <= few + 5
    many = sent()
    said = [settlement(9, NINE + n * HOUR, verdict="misread", settled_at=at) for n in range(9, 20)]
    record_counter_settlements(session, said, ACTOR, NOW)
    assert sent() == many
