"""Derived tables: step by step or made anew, in whatever order facts came, they are the same."""

import random
import uuid
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from tests.strokes.counters import (
    ACTOR,
    NOW,
    count_slowly,
    counter_event,
    derived,
    hours_of,
    make_plant,
    reading,
    settlement,
    undone,
)
from tracelog.audit import AuditRecord
from tracelog.plant.models import Machine, Plant
from tracelog.strokes.actions import (
    derive_machines,
    rebuild_strokes,
    record_counter_events,
    record_readings,
)
from tracelog.strokes.facts import CounterEventFact, CounterSettlementFact, ReadingFact
from tracelog.strokes.models import StrokeHour
from tracelog.strokes.queries import machine_span, open_questions
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlement_actions import record_counter_settlements

# Around this the clock of Lord Howe Island is put back half an hour.
START = datetime(2026, 4, 4, 13, tzinfo=UTC)
LIMITS = {1: CounterLimits(counter_max=999, rated_spm=2), 2: CounterLimits()}
Fact = ReadingFact | CounterEventFact | CounterSettlementFact

# Minutes lie thick enough that facts meet at one instant, and far enough to span days.
minutes = st.one_of(st.integers(0, 40), st.integers(0, 300), st.integers(0, 4_000))
figures = st.one_of(st.integers(0, 999), st.integers(0, 120), st.integers(900, 999))
facts = st.one_of(
    st.builds(
        lambda number, at, strokes: reading(number, START + timedelta(minutes=at), strokes),
        st.sampled_from([1, 1, 2]),
        minutes,
        figures,
    ),
    st.builds(
        lambda number, at, strokes: counter_event(number, START + timedelta(minutes=at), strokes),
        st.sampled_from([1, 1, 2]),
        minutes,
        figures,
    ),
)


@st.composite
def histories(draw: st.DrawFn, most: int) -> list[Fact]:
    """Readings, events, and what was decided on stretches that are there, or nearly."""
    told = draw(st.lists(facts, min_size=1, max_size=most))
    found: list[Fact] = list(told)
    for _more in range(draw(st.integers(0, 6))):
        about = draw(st.sampled_from(told))
        number, to_at = about.bodymaker, about.key[-1]
        own = sorted({one.key[-1] for one in told if one.bodymaker == number} - {to_at})
        earlier = [moment for moment in own if moment < to_at] or [to_at - timedelta(minutes=1)]
        # Most often the nearest, so that many decisions are about a stretch as it is.
        from_at = draw(st.sampled_from([*earlier, *[earlier[-1]] * 3]))
        verdict = draw(st.sampled_from(["made", "made", "misread", "open"]))
        made = (from_at, draw(figures)) if verdict == "made" else None
        settled_at = START + timedelta(days=5, minutes=draw(st.integers(0, 4)))
        found.append(settlement(number, to_at, made, verdict, settled_at))
    return found


def record(session: Session, batch: list[Fact]) -> None:
    readings = [fact for fact in batch if isinstance(fact, ReadingFact)]
    events = [fact for fact in batch if isinstance(fact, CounterEventFact)]
    settlements = [fact for fact in batch if isinstance(fact, CounterSettlementFact)]
    record_readings(session, readings, ACTOR, NOW)
    record_counter_events(session, events, ACTOR, NOW)
    record_counter_settlements(session, settlements, ACTOR, NOW)


def one_per_key(found: list[Fact]) -> list[Fact]:
    """Facts that do not contradict each other: of two with one key, the first."""
    kept: dict[tuple[object, ...], Fact] = {}
    for fact in found:
        kept.setdefault((type(fact), *fact.key), fact)
    return list(kept.values())


@settings(max_examples=25)
@given(
    histories(24).flatmap(st.permutations),
    st.sampled_from(["Australia/Lord_Howe", "Europe/Madrid"]),
    st.integers(1, 6),
)
def test_what_is_counted_step_by_step_is_what_a_rebuild_counts(
    engine: Engine, found: list[Fact], zone: str, size: int
) -> None:
    with undone(engine) as session:
        make_plant(session, zone, LIMITS)
        for first in range(0, len(found), size):
            record(session, found[first : first + size])
            step_by_step = derived(session)
            rebuild_strokes(session, None, NOW)
            assert derived(session) == step_by_step


@settings(max_examples=25)
@given(histories(20), st.randoms(use_true_random=False), st.integers(1, 6))
def test_the_order_of_arrival_makes_no_difference(
    engine: Engine, found: list[Fact], chance: random.Random, size: int
) -> None:
    kept = one_per_key(found)
    with undone(engine) as session:
        numbers = make_plant(session, "Australia/Lord_Howe", LIMITS)
        record(session, kept)
        at_once = derived(session)
        spans = machine_span(session)
        for number, machine in numbers.items():
            slowly = count_slowly(
                [
                    (f.read_at, f.strokes)
                    for f in kept
                    if isinstance(f, ReadingFact) and f.bodymaker == number
                ],
                [
                    (f.at, f.strokes_after)
                    for f in kept
                    if isinstance(f, CounterEventFact) and f.bodymaker == number
                ],
                LIMITS[number],
                [f for f in kept if isinstance(f, CounterSettlementFact) and f.bodymaker == number],
            )
            assert slowly.total == (spans[machine].strokes if machine in spans else 0)
            assert slowly.total == sum(
                hour.strokes
                for hour in hours_of(
                    session, machine, START - timedelta(days=1), START + timedelta(days=9)
                )
            )
            assert slowly.questions == [
                (q.from_at, q.to_at, q.from_strokes, q.to_strokes)
                for q in open_questions(session, machine)
            ]
    shuffled = [*kept, *chance.sample(kept, len(kept) // 2)]
    chance.shuffle(shuffled)
    with undone(engine) as session:
        renamed = make_plant(session, "Australia/Lord_Howe", LIMITS)
        for first in range(0, len(shuffled), size):
            record(session, shuffled[first : first + size])
        assert without_ids(derived(session), renamed) == without_ids(at_once, numbers)


def without_ids(
    rows: tuple[list[object], list[object]], numbers: dict[int, uuid.UUID]
) -> list[list[tuple[object, ...]]]:
    """Derived rows with the number of the bodymaker in the place of its id."""
    names = {machine: number for number, machine in numbers.items()}
    return [
        sorted((names[row[0]], *row[1:]) for row in table)  # type: ignore[index]
        for table in rows
    ]


@pytest.fixture
def machines(session: Session) -> dict[int, uuid.UUID]:
    numbers = make_plant(session, "Europe/Madrid", LIMITS)
    hours = [START + timedelta(hours=n) for n in range(5)]
    record(
        session,
        [reading(2, at, figure) for at, figure in zip(hours, (900, 950, 20, 80, 90), strict=True)],
    )
    return numbers


def test_a_rebuild_can_leave_an_audit_record(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    before = derived(session)
    rebuild_strokes(session, ACTOR, NOW)
    actions = session.execute(select(AuditRecord.action).order_by(AuditRecord.sequence)).scalars()
    assert list(actions) == ["record readings", "rebuild strokes"]
    assert derived(session) == before


def test_a_rebuild_mends_rows_that_were_altered(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    before = derived(session)
    session.execute(update(StrokeHour).values(strokes=1))
    assert derived(session) != before
    rebuild_strokes(session, None, NOW)
    assert derived(session) == before


def test_a_write_after_the_hours_were_dropped_makes_the_machine_anew(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    session.execute(StrokeHour.__table__.delete())
    record(session, [reading(2, START + timedelta(hours=6), 99)])
    step_by_step = derived(session)
    rebuild_strokes(session, None, NOW)
    assert derived(session) == step_by_step
    assert machine_span(session)[machines[2]].strokes == 50 + 60 + 10 + 9


def test_a_last_figure_that_becomes_known_settles_a_roll_over(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    assert len(open_questions(session)) == 1
    session.execute(update(Machine).where(Machine.id == machines[2]).values(counter_max=999))
    session.expire_all()
    derive_machines(session, [machines[2]])
    assert open_questions(session) == []
    assert machine_span(session)[machines[2]].strokes == 50 + 70 + 60 + 10


def test_hours_follow_the_plants_zone(session: Session, machines: dict[int, uuid.UUID]) -> None:
    session.execute(update(Plant).values(time_zone="Asia/Kolkata"))
    session.expire_all()
    derive_machines(session, list(machines.values()))
    rows = hours_of(session, machines[2], START - timedelta(hours=1), START + timedelta(days=1))
    assert [row.hour_at.minute for row in rows] == [30] * 5
    assert sum(row.strokes for row in rows) == 120


def test_machines_without_readings_have_no_rows(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    record(session, [counter_event(1, START, 5)])
    derive_machines(session, [machines[1]])
    rows = hours_of(session, machines[1], START - timedelta(days=1), START + timedelta(days=1))
    assert rows == []
