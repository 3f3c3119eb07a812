"""Many rows at once: what goes in comes out, on both engines and with any text."""

import uuid
from datetime import UTC, datetime, time, timedelta, timezone

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tracelog.audit import Actor, Subject, append
from tracelog.bulk import array_text, insert_rows, insert_tuples, pieces, rows_with
from tracelog.plant.facts import PalletStatus
from tracelog.plant.models import Coil, Line, Pallet, Plant, Shift

COLUMNS = ("id", "coil", "alloy", "gauge_mm", "note")
ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
COILS = st.lists(
    st.tuples(
        st.uuids(), ANY_TEXT, st.none() | ANY_TEXT, st.none() | st.floats(-1e9, 1e9), ANY_TEXT
    ),
    min_size=21,
    max_size=40,
    unique_by=(lambda row: row[0], lambda row: row[1]),
)


@settings(
    max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(COILS)
def test_what_goes_in_comes_out(
    session: Session, rows: list[tuple[uuid.UUID, str, str | None, float | None, str]]
) -> None:
    session.execute(delete(Coil))
    insert_tuples(session, Coil, COLUMNS, rows)
    columns = [getattr(Coil, name) for name in COLUMNS]
    found = {row.id: tuple(row) for row in session.execute(select(*columns))}
    assert found == {row[0]: row for row in rows}


@pytest.mark.parametrize("count", [0, 1, 19, 20, 5001])
def test_few_and_many_rows_are_the_same(session: Session, count: int) -> None:
    rows = [{"coil": f"K{number}", "alloy": PalletStatus.HELD} for number in range(count)]
    insert_rows(session, Coil, rows)
    found = session.execute(select(Coil.coil, Coil.alloy, Coil.id)).all()
    assert {row.coil for row in found} == {row["coil"] for row in rows}
    assert {row.alloy for row in found} <= {"held"}
    # Ids were left out, so each got one of its own.
    assert len({row.id for row in found}) == count


def test_instants_of_any_offset_are_kept_in_utc(session: Session) -> None:
    session.add(Plant(name="Alder", time_zone="UTC"))
    session.flush()
    line = Line(plant_id=session.execute(select(Plant.id)).scalar_one(), line=1)
    session.add(line)
    session.flush()
    start = datetime(2026, 3, 1, 6, 0, 0, 7, tzinfo=UTC)
    audit_id = append(session, Actor("x", "planner", "page"), start, "test", Subject("a", "b"))
    rows = [
        (f"N{hours}", line.id, start.astimezone(timezone(timedelta(hours=hours))), audit_id)
        for hours in range(-12, 13)
    ]
    insert_tuples(session, Pallet, ("pallet", "line_id", "started_at", "audit_id"), rows)
    assert set(session.execute(select(Pallet.started_at)).scalars()) == {start}
    naive = [("M", line.id, start.replace(tzinfo=None), audit_id)] * 30
    with pytest.raises(ValueError, match="without an offset"):
        insert_tuples(session, Pallet, ("pallet", "line_id", "started_at", "audit_id"), naive)


def test_times_of_day_are_kept(session: Session) -> None:
    session.add(Plant(name="Alder", time_zone="UTC"))
    session.flush()
    plant_id = session.execute(select(Plant.id)).scalar_one()
    rows = [(plant_id, n, "shift", time(n)) for n in range(24)]
    insert_tuples(session, Shift, ("plant_id", "ordinal", "name", "starts"), rows)
    found = session.execute(select(Shift.starts).order_by(Shift.ordinal)).scalars().all()
    assert [starts.hour for starts in found] == list(range(24))


@pytest.mark.parametrize("count", [3, 30])
def test_a_row_that_a_constraint_refuses_is_the_same_error_for_few_and_many(
    session: Session, count: int
) -> None:
    rows = [{"coil": "K1"} for _ in range(count)]
    with pytest.raises(IntegrityError), session.begin_nested():
        insert_rows(session, Coil, rows)


def test_rows_are_found_by_many_values_in_few_statements(
    session: Session, statements: Statements
) -> None:
    names = [f"K{number}" for number in range(12_000)]
    insert_rows(session, Coil, [{"coil": name} for name in names])
    with statements.counted() as sent:
        found = [row.coil for row in rows_with(session, [Coil.coil], Coil.coil, [*names, "K1"])]
    assert sorted(found) == sorted(names)
    assert len(sent) == 3


def test_pieces_are_all_there_in_order() -> None:
    assert list(pieces(range(5), 2)) == [[0, 1], [2, 3], [4]]


def test_an_array_is_written_value_by_value_however_often_an_object_comes() -> None:
    machine, other = uuid.UUID(int=1), uuid.UUID(int=2)
    made_as_asked = (uuid.UUID(int=1 + place % 2) for place in range(4))
    wanted = f"{{{machine},{other},{machine},{other}}}"
    assert array_text([machine, other, machine, other]) == wanted
    # Objects that nobody holds may follow one another at the same place in memory.
    assert array_text(made_as_asked) == wanted
    assert array_text(range(3)) == "{0,1,2}"
    assert array_text([]) == "{}"
