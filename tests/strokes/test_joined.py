"""One statement asks for many machines, and gives what single questions would give."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Uuid, select
from sqlalchemy.orm import Session

from tests.strokes.counters import ACTOR, make_plant, reading
from tests.support.statements import Statements
from tracelog.strokes.actions import record_readings
from tracelog.strokes.joined import Joined, Place, exists_for
from tracelog.strokes.models import Reading
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.timelines import Window, accepted_at, neighbours, timelines

NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)
NOW = NINE + timedelta(days=2)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def machines(session: Session) -> dict[int, uuid.UUID]:
    """Machines of which each has as many readings as its number says, a minute apart."""
    made = make_plant(session, "UTC", dict.fromkeys(range(1, 131), CounterLimits()))
    facts = [reading(n, NINE + at * MINUTE, 10 * at + n) for n in made for at in range(n % 7)]
    record_readings(session, facts, ACTOR, NOW)
    return made


@pytest.mark.parametrize("count", [1, 3, 64, 100, 130])
def test_every_machine_gets_its_own_answer(
    session: Session, statements: Statements, machines: dict[int, uuid.UUID], count: int
) -> None:
    asked = {n: machines[n] for n in range(1, count + 1)}
    with statements.counted() as sent:
        found = timelines(session, [Window(one) for one in asked.values()])
    assert len(sent) == 3 * (1 + (count > 100))
    for n, machine in asked.items():
        assert list(found[machine].strokes) == [10 * at + n for at in range(n % 7)]
    near = neighbours(session, [Window(one, NINE, NINE) for one in asked.values()])
    assert near == {
        machine: (NINE, NINE) if n % 7 else (None, None) for n, machine in asked.items()
    }


def test_instants_of_few_and_of_many_are_asked_together(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    columns = (Reading.machine_id, Reading.read_at, (Reading.strokes,))
    many = [NINE + at * timedelta(seconds=0.03) for at in range(9_000)]
    asked = {machines[n]: many if n == 6 else [NINE, NINE + MINUTE] for n in range(2, 72)}
    found = accepted_at(session, columns, asked)
    assert found[machines[6], NINE] == (6,)
    assert found[machines[5], NINE + MINUTE] == (15,)
    assert {machine for machine, _at in found} == {machines[n] for n in range(2, 72) if n % 7}


def test_what_fills_a_statement_up_finds_nothing(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    def query(place: Place) -> object:
        return select(place.value("machine", type_=Uuid()), place.value("word"))

    rows = list(Joined(query).rows(session, [{"machine": m, "word": "x"} for m in range(0)]))
    assert rows == []
    asked = [{"machine": machines[n], "word": f"w{n}"} for n in (1, 2, 3)]
    rows = [row for row in Joined(query).rows(session, asked) if exists_for(row)]
    assert [row[1] for row in rows] == ["w1", "w2", "w3"]
