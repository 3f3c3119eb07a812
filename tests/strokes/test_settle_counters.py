"""Settling jumps of counters: what is decided counts at once, and only that is counted anew."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, func, select, update
from sqlalchemy.orm import Session

from tests.strokes.counters import (
    ACTOR,
    NOW,
    counter_event,
    derived,
    hours_of,
    make_plant,
    reading,
    settlement,
    undone,
)
from tests.support.statements import Statements
from tracelog.audit import Actor, AuditRecord, broken_links
from tracelog.outcomes import Became, Outcome
from tracelog.strokes.actions import rebuild_strokes, record_counter_events, record_readings
from tracelog.strokes.facts import CounterDecisionFact
from tracelog.strokes.models import CounterSettlement, Reading, StrokeHour
from tracelog.strokes.queries import (
    last_reading,
    machine_span,
    open_questions,
    strokes_by_machine,
    total_at,
)
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlement_actions import record_counter_settlements, settle_counters
from tracelog.strokes.settlements import latest_settlements

NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)
PAULA = Actor("Paula", "planner", "page")
# Every hour 18,000 strokes; between 11 and 12 the counter fell.
SHOWN = (500_000, 518_000, 536_000, 100_000, 118_000, 136_000)


@pytest.fixture
def machines(session: Session) -> dict[int, uuid.UUID]:
    limits = CounterLimits(counter_max=999_999, rated_spm=300)
    numbers = make_plant(session, "Europe/Madrid", {7: limits, 8: limits})
    for number in numbers:
        facts = [reading(number, NINE + n * HOUR, shown) for n, shown in enumerate(SHOWN)]
        record_readings(session, facts, ACTOR, NOW)
    return numbers


def decide(session: Session, actor: Actor = ACTOR, now: datetime = NOW, **said: Any) -> Outcome:
    """Decide on the reading of bodymaker 7 at noon unless said otherwise."""
    values = {"line": 1, "bodymaker": 7, "to_at": NINE + 3 * HOUR} | said
    facts = [CounterDecisionFact.model_validate(values)]
    (outcome,) = settle_counters(session, facts, actor, now)
    return outcome


def made(session: Session, strokes: int, **more: Any) -> Outcome:
    return decide(session, verdict="made", from_at=NINE + 2 * HOUR, strokes=strokes, **more)


def sentence(outcome: Outcome) -> str:
    assert outcome.became is Became.REFUSED
    (fault,) = outcome.faults
    return f"{fault.field}: {fault.sentence}"


def total(session: Session, machine: uuid.UUID) -> int:
    return machine_span(session)[machine].strokes


def test_strokes_that_were_made_are_spread_evenly_over_the_stretch(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    assert total(session, machines[7]) == 4 * 18_000
    assert made(session, 12_000).became is Became.CREATED
    assert open_questions(session, machines[7]) == []
    assert len(open_questions(session, machines[8])) == 1
    hours = hours_of(session, machines[7], NINE, NINE + 9 * HOUR)
    assert [hour.strokes for hour in hours] == [18_000, 18_000, 12_000, 18_000, 18_000, 0]
    middle = total_at(session, [machines[7]], NINE + 2.5 * HOUR)[machines[7]]
    assert middle == 36_000 + 6_000
    assert total(session, machines[7]) == 84_000


def test_none_made_closes_the_question_and_counts_nothing(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    assert made(session, 0).became is Became.CREATED
    assert open_questions(session, machines[7]) == []
    assert total(session, machines[7]) == 72_000


def test_a_reading_that_is_wrong_counts_nowhere_and_stays_on_record(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    slip = reading(7, NINE + 1.5 * HOUR, 5_270)
    record_readings(session, [slip], ACTOR, NOW)
    assert len(open_questions(session, machines[7])) == 3
    decide(session, to_at=slip.read_at, verdict="misread")
    (jump,) = open_questions(session, machines[7])
    assert jump.to_at == NINE + 3 * HOUR
    assert total(session, machines[7]) == 72_000
    kept = select(Reading.strokes).where(Reading.read_at == slip.read_at)
    assert session.execute(kept).scalar_one() == 5_270
    (again,) = record_readings(session, [slip], ACTOR, NOW)
    assert again.became is Became.UNCHANGED


def test_a_last_reading_that_is_wrong_is_the_last_no_more(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    for read_at, first, last in (
        (NINE + 5 * HOUR, NINE, NINE + 4 * HOUR),
        (NINE, NINE + HOUR, NINE + 4 * HOUR),
    ):
        decide(session, to_at=read_at, verdict="misread")
        span = machine_span(session)[machines[7]]
        assert (span.first_at, span.last_at) == (first, last)
    assert last_reading(session)[machines[7]].strokes == 118_000
    made_in = strokes_by_machine(session, NINE - HOUR, NINE + 9 * HOUR)
    assert made_in == {machines[7]: 36_000, machines[8]: 72_000}
    before = derived(session)
    rebuild_strokes(session, None, NOW)
    assert derived(session) == before


def test_a_machine_of_which_every_reading_is_wrong_has_none(session: Session) -> None:
    numbers = make_plant(session, "Europe/Madrid", {7: CounterLimits()})
    record_readings(session, [reading(7, NINE, 5), reading(7, NINE + HOUR, 900)], ACTOR, NOW)
    for read_at in (NINE, NINE + HOUR):
        decide(session, to_at=read_at, verdict="misread")
    assert machine_span(session) == last_reading(session) == {}
    assert total_at(session, [numbers[7]], NOW) == {numbers[7]: 0}
    assert derived(session) == ([], [])
    record_readings(session, [reading(7, NINE + 2 * HOUR, 1_000)], ACTOR, NOW)
    assert machine_span(session)[numbers[7]].strokes == 0


def test_what_was_decided_can_be_taken_back(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    before = derived(session)
    made(session, 12_000)
    seen = NOW
    later = NOW + timedelta(minutes=1)
    assert decide(session, now=later, verdict="open", last_settled_at=seen).is_kept
    assert derived(session) == before
    assert session.execute(select(func.count()).select_from(CounterSettlement)).scalar_one() == 2


def test_somebody_who_decides_on_what_another_has_settled_meanwhile_is_told(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    assert made(session, 12_000, actor=PAULA).is_kept
    second = made(session, 15_000, now=NOW + timedelta(minutes=2))
    assert second.is_conflict
    assert sentence(second) == (
        "last_settled_at: Paula settled this at 2026-06-04T09:30:00Z: 12000 strokes were made;"
        " look at the question again"
    )
    assert total(session, machines[7]) == 84_000
    third = made(session, 15_000, now=NOW + timedelta(minutes=3), last_settled_at=NOW)
    assert third.became is Became.CREATED
    assert total(session, machines[7]) == 87_000


def test_the_same_decision_again_changes_nothing(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    made(session, 12_000)
    assert made(session, 12_000, now=NOW + HOUR).became is Became.UNCHANGED
    assert decide(session, bodymaker=8, verdict="open").became is Became.UNCHANGED


def test_a_decision_with_an_instant_of_its_own_does_not_go_before_a_later_one(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    made(session, 12_000)
    early = made(session, 9, settled_at=NOW - HOUR, last_settled_at=NOW)
    assert sentence(early).startswith("settled_at: does not lie after 2026-06-04T09:30:00Z, when")
    ahead = decide(session, bodymaker=8, verdict="misread", settled_at=NOW + HOUR)
    assert sentence(ahead).startswith("settled_at: lies ahead of the present")


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (
            {"to_at": NINE + 2.5 * HOUR, "verdict": "misread"},
            "to_at: the counter of 1-7 was not read at 2026-03-02T11:30:00Z; give the instant of"
            " the reading that the question is about",
        ),
        (
            {"verdict": "made", "from_at": NINE + HOUR, "strokes": 5},
            "from_at: the stretch that ends at 2026-03-02T12:00:00Z begins at 2026-03-02T11:00:00Z"
            " by now, with 536000; look at the question again",
        ),
        (
            {"verdict": "made", "from_at": NINE + 2 * HOUR, "strokes": 55_501},
            "strokes: 55501 are more than 1-7 can have made in that time, 55500 at most; give what"
            " the counter shows, or what is known otherwise",
        ),
        (
            {"to_at": NINE, "verdict": "made", "from_at": NINE - HOUR, "strokes": 5},
            "to_at: the counter was not read before, so that no strokes are counted up to it",
        ),
        ({"bodymaker": 9, "verdict": "open"}, "bodymaker: line 1 has no bodymaker 9; it has 7, 8"),
    ],
)
def test_what_cannot_be_is_told(
    session: Session, machines: dict[int, uuid.UUID], said: dict[str, Any], told: str
) -> None:
    assert sentence(decide(session, **said)) == told
    assert session.execute(select(CounterSettlement)).all() == []


def test_what_the_counter_shows_may_be_more_than_is_believed(session: Session) -> None:
    numbers = make_plant(session, "Europe/Madrid", {7: CounterLimits(rated_spm=300)})
    facts = [reading(7, NINE + 2 * HOUR, 0), reading(7, NINE + 3 * HOUR, 200_000)]
    record_readings(session, facts, ACTOR, NOW)
    assert not made(session, 199_999).is_kept
    assert made(session, 200_000).is_kept
    assert total(session, numbers[7]) == 200_000


def test_two_decisions_on_one_reading_in_one_call_are_told(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    at = {"line": 1, "bodymaker": 7, "to_at": NINE + 3 * HOUR}
    facts = [
        CounterDecisionFact.model_validate({**at, "verdict": "misread"}),
        CounterDecisionFact.model_validate(
            {**at, "verdict": "made", "from_at": NINE + 2 * HOUR, "strokes": 5}
        ),
    ]
    first, second = settle_counters(session, facts, ACTOR, NOW)
    assert (first.became, second.is_conflict) == (Became.CREATED, True)


def test_a_late_reading_makes_it_another_question(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    made(session, 12_000)
    late = reading(7, NINE + 2.5 * HOUR, 545_000)
    record_readings(session, [late], ACTOR, NOW)
    (question,) = open_questions(session, machines[7])
    assert (question.from_at, question.to_at) == (late.read_at, NINE + 3 * HOUR)
    assert total(session, machines[7]) == 72_000 + 9_000
    # It turns out wrong itself, so that the stretch is again the one that was settled.
    decide(session, to_at=late.read_at, verdict="misread")
    assert open_questions(session, machines[7]) == []
    assert total(session, machines[7]) == 84_000


def test_an_event_that_explains_the_jump_goes_before_the_guess(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    made(session, 12_000)
    event = counter_event(7, NINE + 2.5 * HOUR, 91_000, "preset")
    record_counter_events(session, [event], ACTOR, NOW)
    assert open_questions(session, machines[7]) == []
    assert total(session, machines[7]) == 72_000 + 9_000


def test_what_was_decided_of_a_stretch_stands_although_the_rules_would_know_better(
    session: Session,
) -> None:
    numbers = make_plant(session, "Europe/Madrid", {7: CounterLimits(999_999, 300)})
    facts = [reading(7, NINE + 2 * HOUR, 995_000), reading(7, NINE + 3 * HOUR, 8_000)]
    record_readings(session, facts, ACTOR, NOW)
    assert total(session, numbers[7]) == 13_000
    made(session, 8_000)
    assert total(session, numbers[7]) == 8_000


def test_one_audit_record_says_what_was_decided(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    made(session, 12_000, note="from the shift book")
    newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    record = session.execute(newest).scalar_one()
    assert (record.action, record.actor) == ("record counter settlements", "Robin")
    assert record.after is not None
    assert '"strokes": "12000"' in record.after
    assert "from the shift book" in record.after
    assert session.execute(select(CounterSettlement.audit_id)).scalar_one() == record.id
    assert broken_links(session) == []


def test_settling_redoes_only_the_hours_around(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    """Hours that are far away would lose a mark that is put on them."""
    far = [NINE + n * HOUR for n in (-49, -48, 100, 101)]
    record_readings(
        session,
        [reading(7, at, 490_000 + n) for n, at in enumerate(far[:2])]
        + [reading(7, at, 140_000 + n) for n, at in enumerate(far[2:])],
        ACTOR,
        NOW,
    )
    marked = update(StrokeHour).where(
        (StrokeHour.machine_id == machines[8])
        | (StrokeHour.hour_at < NINE - 2 * HOUR)
        | (StrokeHour.hour_at > NINE + 7 * HOUR)
    )
    session.execute(marked.values(strokes=-1))
    session.commit()
    before = {
        hour.hour_at: hour.total_before
        for hour in hours_of(session, machines[7], NINE - 99 * HOUR, NINE + 200 * HOUR)
    }
    made(session, 12_000)
    kept = hours_of(session, machines[7], NINE - 99 * HOUR, NINE + 200 * HOUR)
    marks = {hour.hour_at for hour in kept if hour.strokes == -1}
    assert len(marks) > 120
    assert {hour.hour_at for hour in kept} - marks == {NINE + n * HOUR for n in range(-2, 8)}
    other = hours_of(session, machines[8], NINE, NINE + 9 * HOUR)
    assert {hour.strokes for hour in other} == {-1}
    moved = [hour.total_before - before[hour.hour_at] for hour in kept]
    assert set(moved[:51]) == {0}  # up to the hour that begins where the stretch does
    assert set(moved[52:]) == {12_000}


def test_the_number_of_statements_does_not_grow_with_what_is_on_record(
    session: Session, machines: dict[int, uuid.UUID], statements: Statements
) -> None:
    with statements.counted() as few:
        made(session, 12_000)
    facts = [reading(8, NINE + n * HOUR, 140_000 + 100 * n) for n in range(10, 600)]
    record_readings(session, facts, ACTOR, NOW)
    with statements.counted() as many:
        made(session, 13_000, bodymaker=8)
    assert len(many) == len(few) <= 34


def test_decisions_that_came_before_their_reading_count_once_it_has_come(
    session: Session,
) -> None:
    numbers = make_plant(session, "Europe/Madrid", {7: CounterLimits()})
    said = [
        settlement(7, NINE + HOUR, (NINE, 700)),
        settlement(7, NINE + 2 * HOUR, verdict="misread"),
    ]
    outcomes = record_counter_settlements(session, said, ACTOR, NOW)
    assert [one.became for one in outcomes] == [Became.CREATED] * 2
    facts = [reading(7, NINE + n * HOUR, shown) for n, shown in enumerate((900, 4, 77, 104))]
    record_readings(session, facts, ACTOR, NOW)
    assert total(session, numbers[7]) == 700 + 100
    assert open_questions(session) == []


decisions = st.lists(
    st.tuples(st.sampled_from(["made", "misread", "open"]), st.integers(0, 500), st.integers(0, 3)),
    min_size=1,
    max_size=6,
    unique_by=lambda one: one[2],
)


@settings(max_examples=20)
@given(decisions, st.randoms(use_true_random=False))
def test_of_several_decisions_the_latest_stands_in_whatever_order_they_come(
    engine: Engine, said: list[tuple[str, int, int]], chance: Any
) -> None:
    facts = [
        settlement(
            7,
            NINE + HOUR,
            (NINE, strokes) if verdict == "made" else None,
            verdict,
            NOW - timedelta(days=1) + timedelta(minutes=minute),
        )
        for verdict, strokes, minute in said
    ]
    latest = max(facts, key=lambda one: one.settled_at)
    chance.shuffle(facts)
    with undone(engine) as session:
        numbers = make_plant(session, "Europe/Madrid", {7: CounterLimits()})
        record_readings(session, [reading(7, NINE, 900), reading(7, NINE + HOUR, 4)], ACTOR, NOW)
        for fact in facts:
            record_counter_settlements(session, [fact], ACTOR, NOW)
        key = (numbers[7], NINE + HOUR)
        assert latest_settlements(session, [key])[key].settled_at == latest.settled_at
        open_now = {"made": 0, "misread": 0, "open": 1}[latest.verdict.value]
        assert len(open_questions(session)) == open_now
        assert total(session, numbers[7]) == (latest.strokes or 0)
