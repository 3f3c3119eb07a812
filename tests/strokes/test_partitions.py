"""PostgreSQL divides readings by month: parts are made when and before they are needed."""

import re
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import Engine, event, text
from sqlalchemy.orm import Session

from tests.strokes.counters import ACTOR, derived, make_plant, reading
from tracelog.db import writing
from tracelog.keeping.months import MonthKeeper
from tracelog.outcomes import CREATED
from tracelog.strokes.actions import rebuild_strokes, record_readings
from tracelog.strokes.bounds import reading_ends
from tracelog.strokes.hours import microseconds
from tracelog.strokes.partition_actions import keep_parts_ahead
from tracelog.strokes.partitions import (
    REST,
    following,
    is_divided,
    is_part,
    month_of,
    months_of,
    part_of,
    parts,
    without_part,
)
from tracelog.strokes.queries import first_reading, last_reading, machine_span
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.timelines import Window, neighbours

MONTH = timedelta(days=31)
NOW = datetime(2026, 11, 30, 23, tzinfo=UTC)
MARCH = datetime(2026, 3, 1, tzinfo=UTC)
on_postgresql = pytest.mark.parametrize("database_kind", ["postgresql"], indirect=True)


@pytest.fixture
def own_engine(own_engine: Engine) -> Engine:
    """A database without the parts that a test before may have left in it."""
    with own_engine.begin() as connection:
        for name in parts(connection) - {REST} if is_divided(connection) else ():
            connection.execute(text(f"DROP TABLE {name}"))
    return own_engine


def at(moment: datetime) -> np.ndarray:
    return np.array([microseconds(moment)], dtype=np.int64)


def test_an_instant_lies_in_its_month_of_utc() -> None:
    last = MARCH - timedelta(microseconds=1)
    assert months_of(at(MARCH)) == [MARCH] == [month_of(MARCH)]
    assert months_of(at(last)) == [datetime(2026, 2, 1, tzinfo=UTC)] == [month_of(last)]
    old = datetime(1969, 12, 31, 23, tzinfo=UTC)
    assert months_of(at(old)) == [datetime(1969, 12, 1, tzinfo=UTC)] == [month_of(old)]
    many = np.concatenate([at(MARCH + MONTH * 2), at(MARCH), at(MARCH)])
    assert months_of(many) == [MARCH, following(MARCH, 2)]


def test_months_follow_each_other_over_the_years() -> None:
    assert following(MARCH, 10) == datetime(2027, 1, 1, tzinfo=UTC)
    assert following(MARCH, -3) == datetime(2025, 12, 1, tzinfo=UTC)
    assert following(following(MARCH, -40), 40) == MARCH


def test_a_part_is_known_by_its_name() -> None:
    assert part_of(MARCH) == "readings_2026_03"
    assert is_part(part_of(MARCH))
    assert is_part(REST)
    assert not is_part("readings")
    assert not is_part("readings_remade")


def test_no_part_is_made_of_a_clock_that_was_never_set() -> None:
    odd = [datetime(1970, 1, 1, tzinfo=UTC), datetime(2300, 1, 1, tzinfo=UTC)]
    assert without_part([*odd, MARCH], frozenset()) == [MARCH]
    assert without_part([MARCH], frozenset({part_of(MARCH)})) == []


def held(session: Session) -> dict[str, int]:
    """How many readings each part holds that has any."""
    asked = "SELECT tableoid::regclass::text, count(*) FROM readings GROUP BY 1 ORDER BY 1"
    return {row[0]: row[1] for row in session.execute(text(asked))}


def tell(session: Session, *moments: datetime, number: int = 1) -> None:
    facts = [
        reading(number, moment, 100 * place) for place, moment in enumerate(sorted(moments), 1)
    ]
    outcomes = record_readings(session, facts, ACTOR, NOW)
    assert set(outcomes) == {CREATED}


@on_postgresql
def test_intake_makes_the_parts_of_the_months_that_it_brings(session: Session) -> None:
    make_plant(session, "Europe/Madrid", {1: CounterLimits()})
    tell(session, MARCH, MARCH - timedelta(hours=1), MARCH + timedelta(days=30, hours=23))
    tell(session, datetime(2026, 5, 1, tzinfo=UTC))
    assert held(session) == {"readings_2026_02": 1, "readings_2026_03": 2, "readings_2026_05": 1}


@on_postgresql
def test_what_lies_far_outside_is_not_refused(session: Session) -> None:
    make_plant(session, "UTC", {1: CounterLimits()})
    tell(session, datetime(1970, 1, 1, tzinfo=UTC), MARCH)
    assert held(session) == {REST: 1, "readings_2026_03": 1}


def test_the_present_month_and_the_next_ones_are_made_ahead(session: Session) -> None:
    made = keep_parts_ahead(session, NOW)
    is_divided = session.connection().dialect.name == "postgresql"
    months = {"readings_2026_11", "readings_2026_12", "readings_2027_01"} if is_divided else set()
    # Another test of this worker may have left some.
    assert set(made) <= months
    assert (parts(session.connection()) if is_divided else set()) >= months
    assert keep_parts_ahead(session, NOW) == []


@on_postgresql
def test_readings_that_lay_with_the_rest_are_moved_into_their_months_part(
    own_engine: Engine,
) -> None:
    with writing(own_engine) as session:
        make_plant(session, "UTC", {1: CounterLimits()})
    with own_engine.connect() as other:
        # Whoever has just asked all readings is not waited for.
        other.execute(text("SELECT count(*) FROM readings")).scalar_one()
        with writing(own_engine) as session:
            tell(session, MARCH, MARCH + MONTH)
            assert held(session) == {REST: 2}
    MonthKeeper(own_engine).look(NOW)
    with writing(own_engine) as session:
        assert held(session) == {"readings_2026_03": 1, "readings_2026_04": 1}
        before = derived(session)
        rebuild_strokes(session, None, NOW)
        assert derived(session) == before


@on_postgresql
def test_two_who_need_the_same_new_month_at_once_both_write(own_engine: Engine) -> None:
    with writing(own_engine) as session:
        make_plant(session, "UTC", {one: CounterLimits() for one in (1, 2, 3)})
    go, failed = threading.Barrier(4), []

    def run(write: Callable[[Session], object]) -> None:
        try:
            for _ in range(3):
                go.wait(30)
                with writing(own_engine) as session:
                    write(session)
        except Exception as problem:
            failed.append(problem)
            go.abort()

    times = [0] * 4

    def intake(number: int) -> Callable[[Session], object]:
        def write(session: Session) -> None:
            month = following(MARCH, times[number])
            times[number] += 1
            tell(session, month + timedelta(hours=times[number]), number=number)

        return write

    threads = [threading.Thread(target=run, args=[intake(number)]) for number in (1, 2, 3)]
    threads.append(threading.Thread(target=run, args=[lambda s: keep_parts_ahead(s, NOW)]))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert failed == []
    with writing(own_engine) as session:
        keep_parts_ahead(session, NOW)
        assert held(session) == {part_of(following(MARCH, by)): 3 for by in range(3)}


@on_postgresql
def test_the_reading_before_an_instant_is_looked_for_in_few_months(session: Session) -> None:
    machines = make_plant(session, "UTC", {1: CounterLimits()})
    months = [following(MARCH, -by) for by in range(24)]
    tell(session, *(month + timedelta(days=1) for month in months))
    sent: list[tuple[str, object]] = []

    def note(_c: object, _cursor: object, statement: str, values: object, *_rest: object) -> None:
        sent.append((statement, values))

    engine = session.connection().engine
    event.listen(engine, "before_cursor_execute", note)
    try:
        moment = MARCH + timedelta(days=5)
        found = neighbours(session, [Window(machines[1], moment, moment)])
    finally:
        event.remove(engine, "before_cursor_execute", note)
    assert found == {machines[1]: (MARCH + timedelta(days=1), None)}
    ((statement, values),) = sent
    plan = session.connection().exec_driver_sql(f"EXPLAIN {statement}", values)
    asked = set(re.findall(r"readings_\d{4}_\d{2}", "\n".join(plan.scalars())))
    asked -= {one for one in asked if one > part_of(MARCH)}
    assert asked == {part_of(month) for month in months[:3]}


def test_the_ends_are_those_of_all_readings(session: Session) -> None:
    machines = make_plant(session, "UTC", {1: CounterLimits(), 2: CounterLimits()})
    moments = [MARCH + MONTH * place for place in range(6)]
    tell(session, *moments)
    first, last = moments[0], moments[-1]
    mine = machines[1]
    assert reading_ends(session, machines.values()) == {mine: (first, last)}
    assert first_reading(session) == first
    assert last_reading(session)[mine].read_at == last
    for by, known in ((timedelta(0), moments[4]), (timedelta(days=30), moments[4])):
        then = moments[4] + by
        assert last_reading(session, as_of=then)[mine].read_at == known
        assert machine_span(session, as_of=then)[mine].last_at == known
    # The reading before is looked for near by first, and further back where there is none.
    tell(session, moments[-1] + timedelta(days=100))
    late = moments[-1] + timedelta(days=90)
    assert last_reading(session, as_of=late)[mine].read_at == last
    assert machine_span(session, as_of=late)[mine].last_at == last
    before = derived(session)
    rebuild_strokes(session, None, NOW)
    assert derived(session) == before
