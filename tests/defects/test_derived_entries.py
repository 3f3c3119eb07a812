"""How entries stand is derived from the facts alone, whatever order they came in."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import delete, update
from sqlalchemy.orm import Session

from tests.defects.histories import FEW, Built, Event, histories, write_history
from tests.defects.small_plant import (
    ACTOR,
    WRITTEN_AT,
    code_fact,
    corrected,
    correction_row,
    current,
    entry_fact,
    hour,
    log,
    logged,
    standing_line,
    standing_machine,
    undone,
    write_code,
    write_machines,
    write_plant,
)
from tests.support.statements import Statements
from tracelog.defects.actions import (
    derive_entries,
    derive_for_codes,
    log_entries,
    rebuild_entries,
    record_corrections,
)
from tracelog.defects.models import CurrentEntry
from tracelog.plant.actions import record_lines
from tracelog.plant.facts import LineFact
from tracelog.plant.queries import directory

# Machine ids differ from one database to the next, but not within a session.
Rows = dict[Any, tuple[Any, ...]]


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def by_names(session: Session) -> Rows:
    """Rows with machines by their text, since a machine that is entered twice has two ids."""
    names = {one.id: one.text for one in directory(session).machines.values()}
    return {
        entry_id: tuple(names.get(value, value) for value in row)
        for entry_id, row in current(session).items()
    }


def written(session: Session, events: list[Event]) -> Rows:
    with undone(session):
        write_history(session, events)
        return by_names(session)


@FEW
@given(histories().flatmap(lambda events: st.tuples(st.just(events), st.permutations(events))))
def test_the_order_of_arrival_does_not_matter(
    session: Session, both: tuple[list[Event], list[Event]]
) -> None:
    events, shuffled = both
    assert written(session, shuffled) == written(session, events)


@FEW
@given(histories())
def test_what_arrives_twice_counts_once(session: Session, events: list[Event]) -> None:
    again = [event for event in events if not isinstance(event, Built)]
    assert written(session, events + again) == written(session, events)


@FEW
@given(histories())
def test_rebuilding_gives_the_identical_rows(session: Session, events: list[Event]) -> None:
    with undone(session):
        write_history(session, events)
        before = current(session)
        rebuild_entries(session)
        assert current(session) == before


def test_rebuilding_mends_rows_that_were_lost_or_altered(session: Session) -> None:
    ids = [logged(session, number) for number in range(4)]
    before = current(session)
    session.execute(delete(CurrentEntry).where(CurrentEntry.entry_id == ids[0]))
    session.execute(update(CurrentEntry).where(CurrentEntry.entry_id == ids[1]).values(cans=99))
    assert current(session) != before
    rebuild_entries(session)
    assert current(session) == before


def test_rebuilding_goes_through_the_entries_in_pieces(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    log(session, *(entry_fact(number) for number in range(10)))
    before = current(session)
    monkeypatch.setattr("tracelog.defects.actions._AT_ONCE", 3)
    rebuild_entries(session)
    assert current(session) == before
    derive_entries(session, list(before))
    assert current(session) == before


def test_a_dome_code_recorded_late_settles_the_entries_that_bear_it(session: Session) -> None:
    before, during, after = (logged(session, number, "1-3") for number in (0, 2, 6))
    assert standing_machine(session, during) is None
    write_code(session, code_fact("1-3", (2, 1), 1))
    assert [standing_machine(session, one) for one in (before, during, after)] == [
        None,
        "2-1",
        "2-1",
    ]
    assert standing_line(session, before) == 1
    assert standing_line(session, during) == 2
    write_code(session, code_fact("1-3", (2, 1), 1, 5))
    assert [standing_machine(session, one) for one in (before, during, after)] == [
        None,
        "2-1",
        None,
    ]


def test_a_dome_code_recorded_late_takes_a_code_from_the_machine_of_its_number(
    session: Session,
) -> None:
    entry_id = logged(session, 2, "1-1")
    write_code(session, code_fact("1-1", (2, 1), 1, 5))
    assert standing_machine(session, entry_id) == "2-1"


def test_a_partial_code_is_settled_again_when_a_machine_is_entered(session: Session) -> None:
    partial, unborne = logged(session, 0, "2-?"), logged(session, 0, "2-9")
    assert standing_machine(session, partial) == "2-1"
    write_machines(session, [(2, 9)])
    derive_for_codes(session, ["2-9"])
    assert standing_machine(session, partial) is None
    assert standing_machine(session, unborne) == "2-9"


def test_a_code_is_of_a_line_that_is_entered_late(session: Session) -> None:
    write_code(session, code_fact("3-1", (1, 1), 0, 1))
    entry_id = logged(session, 2, "3-1")
    assert standing_line(session, entry_id) is None
    record_lines(session, [LineFact(line=3)], ACTOR, WRITTEN_AT)
    derive_for_codes(session, [])
    assert standing_line(session, entry_id) == 3


def test_only_entries_that_a_code_can_concern_are_looked_at(session: Session) -> None:
    for number, code in enumerate(["1-1", "1-2", "1-?", None, "1-7"]):
        logged(session, number, code)
    assert derive_for_codes(session, ["1-2"]) == 4
    assert derive_for_codes(session, ["1-2"], hour(2)) == 3
    assert derive_for_codes(session, []) == 3


def test_a_correction_of_the_time_settles_the_code_anew(session: Session) -> None:
    write_code(session, code_fact("1-1", (2, 1), 0, 5))
    entry_id = logged(session, 8, "1-1")
    assert standing_machine(session, entry_id) == "1-1"
    corrected(session, entry_id, 10, changes={"seen_at": hour(8).isoformat(), "made_at": hour(2)})
    assert standing_machine(session, entry_id) == "2-1"


def test_the_number_of_statements_does_not_grow_with_the_entries(
    session: Session, statements: Statements
) -> None:
    facts = [entry_fact(number / 100) for number in range(200)]
    log_entries(session, facts, ACTOR, WRITTEN_AT)
    notes = [correction_row(fact.id, 9, changes={"note": "x"}) for fact in facts]
    record_corrections(session, notes, ACTOR, WRITTEN_AT)
    ids = [fact.id for fact in facts]
    with statements.counted() as few:
        derive_entries(session, ids[:30])
    with statements.counted() as many:
        derive_entries(session, ids)
    with statements.counted() as rebuilt:
        rebuild_entries(session)
    assert len(few) == len(many) <= 9
    # With its tallies, which take two for each machine that has entries: here there is one.
    assert len(rebuilt) <= 15
