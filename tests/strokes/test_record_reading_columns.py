"""Readings as columns: the same is kept, refused, counted and put on record as one by one."""

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from tests.strokes.counters import ACTOR, derived, make_plant, reading, settlement, undone
from tracelog.audit import AuditRecord
from tracelog.outcomes import Outcome
from tracelog.strokes.actions import rebuild_strokes, record_readings
from tracelog.strokes.column_actions import record_reading_columns
from tracelog.strokes.facts import CounterSettlementFact, ReadingFact
from tracelog.strokes.models import Reading
from tracelog.strokes.reading_columns import ReadingColumns, written_instants
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlement_actions import record_counter_settlements

START = datetime(2026, 3, 28, 22, tzinfo=UTC)
# Some of what is told lies ahead of it.
NOW = START + timedelta(minutes=3_900)
LIMITS = {1: CounterLimits(counter_max=999, rated_spm=2), 2: CounterLimits()}

minutes = st.one_of(st.integers(0, 30), st.integers(0, 400), st.integers(0, 4_000))
figures = st.one_of(st.integers(0, 120), st.integers(0, 1_001))
# Machine 3 is not known.
readings = st.builds(
    lambda number, at, strokes: reading(number, START + timedelta(minutes=at), strokes),
    st.sampled_from([1, 1, 1, 2, 3]),
    minutes,
    figures,
)
settlements = st.builds(
    lambda number, at: settlement(number, START + timedelta(minutes=at), None, "misread"),
    st.sampled_from([1, 2]),
    st.integers(0, 60),
)
batches = st.lists(st.lists(readings, min_size=1, max_size=30), min_size=1, max_size=4)


def kept(session: Session, by_name: dict[uuid.UUID, int]) -> tuple[object, ...]:
    """Rows and records, with machines by their number."""
    rows = session.execute(select(Reading.machine_id, Reading.read_at, Reading.strokes)).all()
    records = session.execute(
        select(AuditRecord.action, AuditRecord.subject, AuditRecord.after).order_by(
            AuditRecord.sequence
        )
    ).all()
    hours, questions = derived(session)
    named = [
        sorted((by_name[row[0]], *row[1:]) for row in part)  # type: ignore[index]
        for part in (rows, hours, questions)
    ]
    return *named, records


def in_columns(session: Session, facts: Sequence[ReadingFact]) -> list[Outcome | None]:
    outcomes = record_reading_columns(session, ReadingColumns.of(facts), ACTOR, NOW)
    assert outcomes.created + outcomes.unchanged + len(outcomes.refused) == len(facts)
    return [outcomes.refused.get(place) for place in range(len(facts))]


def one_by_one(session: Session, facts: Sequence[ReadingFact]) -> list[Outcome | None]:
    outcomes = record_readings(session, facts, ACTOR, NOW)
    return [None if outcome.is_kept else outcome for outcome in outcomes]


@settings(max_examples=15, deadline=None)
@given(told=batches, said=st.lists(settlements, max_size=4), when=st.integers(0, 3))
def test_columns_and_single_facts_come_to_the_same(
    engine: Engine,
    told: list[list[ReadingFact]],
    said: list[CounterSettlementFact],
    when: int,
) -> None:
    ends = []
    for record in (in_columns, one_by_one):
        with undone(engine) as session:
            machines = make_plant(session, "Europe/Madrid", LIMITS)
            refused = []
            for number, batch in enumerate(told):
                if number == min(when, len(told) - 1):
                    record_counter_settlements(session, said, ACTOR, NOW)
                refused.append(record(session, batch))
            before = derived(session)
            rebuild_strokes(session, None, NOW)
            assert derived(session) == before
            ends.append((refused, kept(session, {one: n for n, one in machines.items()})))
    assert ends[0] == ends[1]


def test_many_readings_as_columns_in_one_go_and_again(session: Session) -> None:
    machines = make_plant(session, "Europe/Madrid", {n: CounterLimits() for n in range(1, 21)})
    facts = [
        reading(number, START + timedelta(seconds=30 * place), 100 * place)
        for place in range(300)
        for number in machines
    ]
    first, rest = facts[:4_000], facts[4_000:]
    for part in (first, rest):
        assert in_columns(session, part) == [None] * len(part)
    before = derived(session)
    assert len(before[0]) == 3 * len(machines)
    again = record_reading_columns(session, ReadingColumns.of(facts), ACTOR, NOW)
    assert (again.created, again.unchanged) == (0, len(facts))
    rebuild_strokes(session, None, NOW)
    assert derived(session) == before


@pytest.mark.parametrize("fraction", [0, 5, 120_000])
def test_instants_are_written_as_everywhere(fraction: int) -> None:
    moment = datetime(2026, 3, 29, 6, 15, tzinfo=UTC) + timedelta(microseconds=fraction)
    columns = ReadingColumns.of([reading(1, moment, 0), reading(1, START, 0)])
    expected = moment.replace(tzinfo=None).isoformat() + "Z"
    assert written_instants(columns.read_at) == [expected, "2026-03-28T22:00:00Z"]
