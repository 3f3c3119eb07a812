"""Reading entries: filters, pages, history, what is not settled, what was logged lately."""

import uuid
from dataclasses import fields
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from tests.defects.small_plant import (
    code_fact,
    corrected,
    entry_fact,
    hour,
    log,
    logged,
    machine_id,
    write_code,
    write_plant,
)
from tests.support.statements import Statements
from tracelog.defects.queries import (
    EntryFilter,
    EntryKind,
    EntryView,
    entries,
    entry,
    first_and_last,
    last_entries,
    recent_defects,
    unsettled,
)
from tracelog.errors import NotFound, TracelogError


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def ids(session: Session, **asked: Any) -> list[uuid.UUID]:
    return [row.id for row in entries(session, EntryFilter(**asked)).rows]


def test_an_entry_is_shown_with_its_machine_defect_and_times(session: Session) -> None:
    entry_id = logged(
        *(session, 3, "1-2"),
        made_at=hour(1),
        cans=60,
        occurrences=1,
        found_at="necker",
        coil="K1",
        pallet="P1",
        mark="pocket 3",
        note="dent",
        logged_by="Ana",
        logged_at=hour(4),
        tablet_clock_error_s="-2.5",
    )
    (row,) = entries(session, EntryFilter()).rows
    shown = {one.name: getattr(row, one.name) for one in fields(EntryView)}
    machine = shown.pop("machine")
    assert machine.text == "1-2"
    assert shown.pop("candidates") == (machine,)
    assert row.machine_id == machine.id
    assert shown == {
        "id": entry_id,
        "seen_at": hour(3),
        "made_at": hour(1),
        "occurred_at": hour(1),
        "dome_code": "1-2",
        "line": 1,
        "defect": "split",
        "defect_title": "split body",
        "severity": None,
        "cans": 60,
        "occurrences": 1,
        "counted_occurrences": 1,
        "inspected": None,
        "found_at": "necker",
        "coil": "K1",
        "pallet": "P1",
        "mark": "pocket 3",
        "note": "dent",
        "logged_by": "Ana",
        "logged_at": hour(4),
        "tablet_clock_error_s": -2.5,
        "corrections": 0,
    }


def test_the_latest_entry_comes_first(session: Session) -> None:
    early, late, middle = (logged(session, number) for number in (1, 3, 2))
    assert ids(session) == [late, middle, early]


def test_the_end_of_a_period_is_not_included(session: Session) -> None:
    made = [logged(session, number) for number in (1, 2, 3)]
    assert ids(session, start=hour(1), end=hour(3)) == [made[1], made[0]]


def test_a_filter_chooses_by_what_the_entry_says(session: Session) -> None:
    plain = logged(session, 0, "1-1")
    other = logged(
        *(session, 1, "2-1"),
        defect="wrinkle",
        found_at="necker",
        coil="K1",
        pallet="P1",
        cans=1,
        inspected=50,
    )
    blank = logged(session, 2, None)
    assert ids(session, line=2) == [other]
    assert ids(session, line=1) == [plain]
    assert ids(session, line=9) == []
    assert ids(session, machine_ids=(machine_id(session, "1-1"),)) == [plain]
    assert ids(session, machine_ids=()) == []
    assert ids(session, defects=("wrinkle", "unknown")) == [other]
    assert ids(session, defects=("unknown",)) == []
    assert ids(session, found_at="necker") == [other]
    assert ids(session, coil="K1") == ids(session, pallet="P1") == [other]
    assert ids(session, kind=EntryKind.SAMPLE) == [other]
    assert ids(session, kind=EntryKind.PRODUCTION) == [blank, plain]
    assert ids(session, is_settled=True) == [other, plain]
    assert ids(session, is_settled=False) == [blank]


def test_a_withdrawn_entry_is_not_among_them(session: Session) -> None:
    entry_id = logged(session)
    corrected(session, entry_id, 5, withdrawn="yes")
    assert ids(session) == []


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, 3), min_size=1, max_size=12), st.integers(1, 5))
def test_pages_together_are_the_whole_in_order(
    session: Session, hours: list[int], size: int
) -> None:
    savepoint = session.begin_nested()
    log(session, *(entry_fact(number, note=str(n)) for n, number in enumerate(hours)))
    whole = list(entries(session, EntryFilter()).rows)
    paged: list[EntryView] = []
    after = None
    while True:
        page = entries(session, EntryFilter(), size, after)
        assert len(page.rows) <= size
        paged += page.rows
        after = page.next_after
        if after is None:
            break
    savepoint.rollback()
    assert paged == whole
    assert len(paged) == len(hours)


def test_what_is_logged_meanwhile_does_not_shift_the_pages(session: Session) -> None:
    made = [logged(session, number) for number in range(4)]
    first = entries(session, EntryFilter(), 2)
    assert [row.id for row in first.rows] == [made[3], made[2]]
    logged(session, 9)
    second = entries(session, EntryFilter(), 2, first.next_after)
    assert [row.id for row in second.rows] == [made[1], made[0]]
    assert second.next_after is None


@pytest.mark.parametrize("after", ["x", "17", "????", "ü", "MjAyNi0wMS0wMSB4", "A" * 500])
def test_a_cursor_that_is_none_is_told(session: Session, after: str) -> None:
    with pytest.raises(TracelogError, match="is not the end of an earlier page") as told:
        entries(session, EntryFilter(), 2, after)
    assert told.value.field == "after"


def test_unsettled_entries_come_with_their_candidates(session: Session) -> None:
    logged(session, 0, "1-1")
    partial = logged(session, 1, "1-?")
    unborne = logged(session, 2, "1-7")
    page = unsettled(session)
    assert [(row.id, [one.text for one in row.candidates]) for row in page.rows] == [
        (unborne, []),
        (partial, ["1-1", "1-2"]),
    ]
    assert unsettled(session, EntryFilter(end=hour(2))).rows == page.rows[1:]


def test_the_entries_logged_last_come_first_whenever_the_cans_were_made(
    session: Session,
) -> None:
    old_can = logged(session, 1, "1-1", logged_at=hour(9))
    new_can = logged(session, 5, "1-1", logged_at=hour(6))
    other_line = logged(session, 5, "2-1", logged_at=hour(7))
    assert [one.id for one in last_entries(session, 2)] == [old_can, other_line]
    assert [one.id for one in last_entries(session, 5, line=1)] == [old_can, new_can]


def test_an_entry_has_its_history_also_when_it_is_withdrawn(session: Session) -> None:
    entry_id = logged(session, 0, "1-?", note="first")
    corrected(session, entry_id, 5, changes={"dome_code": "1-2"}, reason="cleaned it")
    corrected(session, entry_id, 6, withdrawn="yes", reason="twice")
    found = entry(session, entry_id)
    assert (found.original.dome_code, found.original.machine) == ("1-?", None)
    assert found.now.machine is not None
    assert found.now.machine.text == "1-2"
    assert found.is_withdrawn
    assert [(one.reason, len(one.changes)) for one in found.corrections] == [
        ("cleaned it", 1),
        ("twice", 0),
    ]


def test_an_unknown_entry_is_not_found(session: Session) -> None:
    with pytest.raises(NotFound, match="there is no entry with the id"):
        entry(session, uuid.uuid4())


def test_defects_are_offered_by_what_the_line_logged_lately(session: Session) -> None:
    def order(line: int | None, number: float = 1) -> list[str]:
        return [one.defect for one in recent_defects(session, line, hour(number))]

    quiet = order(1)
    assert set(quiet) == {"split", "wrinkle", "short-can"}
    log(session, *(entry_fact(0, "1-1", defect="wrinkle", note=str(n)) for n in range(2)))
    logged(session, 0, "1-2", defect="split")
    log(session, *(entry_fact(0, "2-1", defect="short-can", note=str(n)) for n in range(9)))
    assert order(1) == ["wrinkle", "split", "short-can"]
    assert order(2)[0] == order(None)[0] == "short-can"
    assert order(1, number=24 * 15) == quiet


def test_the_first_and_the_last_entry_are_known(session: Session) -> None:
    assert first_and_last(session) is None
    logged(session, 3, made_at=hour(1))
    logged(session, 2)
    assert first_and_last(session) == (hour(1), hour(2))


def test_reads_take_a_fixed_number_of_statements(session: Session, statements: Statements) -> None:
    def counts() -> dict[str, int]:
        found = {}
        known = EntryFilter(as_of=hour(50))
        for name, read in {
            "entries": lambda: entries(session, EntryFilter()),
            "entries as of": lambda: entries(session, known),
            "unsettled": lambda: unsettled(session),
            "last": lambda: last_entries(session, 10),
            "entry": lambda: entry(session, entry_id),
            "recent": lambda: recent_defects(session, 1, hour(1)),
            "first and last": lambda: first_and_last(session),
        }.items():
            with statements.counted() as sent:
                read()
            found[name] = len(sent)
        return found

    entry_id = logged(session, 0, "1-?")
    write_code(session, code_fact("1-3", (2, 1), 0, 60))
    few = counts()
    made = [logged(session, number, "1-?") for number in range(1, 40)]
    for one in [entry_id, *made[:20]]:
        corrected(session, one, 40, changes={"note": "x"})
        corrected(session, one, 60, changes={"note": "y"})
    assert counts() == few
    assert few == {
        "entries": 5,
        "entries as of": 7,
        "unsettled": 5,
        "last": 5,
        "entry": 6,
        "recent": 5,
        "first and last": 1,
    }
