"""What was known at an instant: the same as if nothing had come after it."""

from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from sqlalchemy.orm import Session

from tests.defects.histories import (
    FEW,
    HOURS,
    Borne,
    Built,
    Corrected,
    Event,
    Logged,
    histories,
    write_history,
)
from tests.defects.small_plant import (
    code_fact,
    corrected,
    hour,
    logged,
    undone,
    write_code,
    write_plant,
)
from tracelog.buckets import Bucket
from tracelog.defects.queries import (
    EntryFilter,
    EntryKind,
    EntryView,
    entries,
    production_counts,
    sample_counts,
)

FILTERS = [
    EntryFilter(),
    EntryFilter(start=hour(2), end=hour(9)),
    EntryFilter(line=1),
    EntryFilter(defects=("wrinkle",)),
    EntryFilter(kind=EntryKind.SAMPLE),
    EntryFilter(kind=EntryKind.PRODUCTION, is_settled=True),
    EntryFilter(is_settled=False),
]


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def known_by(events: list[Event], at: int) -> list[Event]:
    """What of a history had come to pass by an hour."""
    logged_by_then = {one.number for one in events if isinstance(one, Logged) and one.logged <= at}
    known: list[Event] = []
    for event in events:
        match event:
            case Logged():
                is_known = event.logged <= at
            case Corrected():
                is_known = event.at <= at and event.number in logged_by_then
            case Borne():
                is_known = event.start <= at
            case Built():
                is_known = True
        if is_known:
            known.append(_as_known(event, at))
    return known


def _as_known(event: Event, at: int) -> Event:
    if isinstance(event, Borne) and event.end is not None and event.end > at:
        return replace(event, end=None)
    return event


def answers(session: Session, as_of: datetime | None) -> list[Any]:
    """Everything that can be asked, for every filter; machines by text."""
    found: list[Any] = []
    for asked in FILTERS:
        known = replace(asked, as_of=as_of)
        found.append([_without_ids(row) for row in entries(session, known).rows])
        paged, after = [], None
        while True:
            page = entries(session, known, 1, after)
            paged += [_without_ids(row) for row in page.rows]
            after = page.next_after
            if after is None:
                break
        assert paged == found[-1]
        period = replace(known, start=hour(0), end=hour(20))
        for by in (("line", "defect"), ("bucket", "found_at"), ()):
            found.append(production_counts(session, period, by, Bucket.HOUR))
            found.append(sample_counts(session, period, by, Bucket.HOUR))
    return found


def _without_ids(row: EntryView) -> Any:
    named = row.machine.text if row.machine else None
    candidates = [machine.text for machine in row.candidates]
    return (named, candidates, replace(row, machine=None, candidates=()))


@FEW
@given(histories(), HOURS)
def test_an_answer_as_of_an_instant_is_the_answer_that_was_given_then(
    session: Session, events: list[Event], at: int
) -> None:
    with undone(session):
        write_history(session, known_by(events, at))
        then = answers(session, None)
    with undone(session):
        write_history(session, events)
        assert answers(session, hour(at)) == then


def view(session: Session, at: float) -> EntryView | None:
    rows = entries(session, EntryFilter(as_of=hour(at))).rows
    return rows[0] if rows else None


def test_an_entry_is_known_from_when_it_was_logged(session: Session) -> None:
    logged(session, 1, logged_at=hour(5))
    assert view(session, 4.9) is None
    assert view(session, 5) is not None


def test_a_correction_is_known_from_when_it_was_made(session: Session) -> None:
    entry_id = logged(session, 0, "1-1", cans=2)
    corrected(session, entry_id, 5, changes={"dome_code": "1-2"})
    corrected(session, entry_id, 8, changes={"cans": "9", "occurrences": "", "inspected": ""})
    seen = [view(session, at) for at in (4, 5, 8)]
    assert [(one.dome_code, one.cans, one.corrections) for one in seen if one] == [
        ("1-1", 2, 0),
        ("1-2", 2, 1),
        ("1-2", 9, 2),
    ]


def test_a_withdrawal_is_known_from_when_it_was_made(session: Session) -> None:
    entry_id = logged(session)
    corrected(session, entry_id, 5, withdrawn="yes")
    corrected(session, entry_id, 8)
    assert [view(session, at) is not None for at in (4, 5, 7.9, 8)] == [True, False, False, True]


def test_counts_move_with_a_correction(session: Session) -> None:
    entry_id = logged(session, 0, "1-1")
    corrected(session, entry_id, 5, changes={"defect": "wrinkle"})

    def counted(at: float) -> list[tuple[str | None, int]]:
        rows = production_counts(session, EntryFilter(as_of=hour(at)), by=("defect",))
        return [(one.defect, one.counted_occurrences) for one in rows]

    assert counted(4) == [("split", 1)]
    assert counted(5) == [("wrinkle", 1)]


def test_the_end_of_a_dome_code_that_lies_later_is_not_known(session: Session) -> None:
    # Logged before the can was made: only a clock that is wrong does that, and it is kept.
    logged(session, 6, "1-1", logged_at=hour(1))
    write_code(session, code_fact("1-1", (2, 1), 0, 5))

    def machine(at: float) -> str | None:
        found = view(session, at)
        return found.machine.text if found and found.machine else None

    assert machine(4) == "2-1"
    assert machine(5) == "1-1"
