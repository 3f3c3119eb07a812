"""Taking over corrections that were made before, as from an exported plant folder."""

import json
import uuid
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from tests.defects.small_plant import (
    ACTOR,
    WRITTEN_AT,
    correction_row,
    current,
    hour,
    logged,
    write_plant,
)
from tests.support.statements import Statements
from tracelog.audit import AuditRecord
from tracelog.defects.actions import correct_entry, record_corrections
from tracelog.defects.facts import CorrectionFact, CorrectionRowFact
from tracelog.defects.models import EntryCorrection
from tracelog.defects.queries import entry
from tracelog.outcomes import Outcome

COUNTS = {"cans": "4", "occurrences": "", "inspected": ""}


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def record(session: Session, *facts: CorrectionRowFact) -> list[Outcome]:
    return record_corrections(session, facts, ACTOR, WRITTEN_AT)


def became(outcomes: list[Outcome]) -> list[str]:
    return [outcome.became.value for outcome in outcomes]


def test_a_correction_is_taken_over_once(session: Session) -> None:
    entry_id = logged(session)
    fact = correction_row(entry_id, 10, changes=COUNTS)
    assert became(record(session, fact)) == ["created"]
    assert became(record(session, fact, fact)) == ["unchanged", "unchanged"]
    record_now = entry(session, entry_id)
    assert record_now.now.cans == 4
    (made,) = record_now.corrections
    assert (made.corrected_at, made.corrected_by, made.reason) == (hour(10), "Ben", "misread")


def test_an_earlier_correction_that_comes_late_does_not_win(session: Session) -> None:
    entry_id = logged(session)
    record(session, correction_row(entry_id, 20, changes=COUNTS))
    record(session, correction_row(entry_id, 10, changes=COUNTS | {"cans": "9"}))
    now = entry(session, entry_id).now
    assert (now.cans, now.corrections) == (4, 2)


def test_a_correction_withdraws_and_a_later_one_brings_back(session: Session) -> None:
    entry_id = logged(session)
    record(session, correction_row(entry_id, 10, withdrawn="yes"))
    assert current(session) == {}
    record(session, correction_row(entry_id, 11))
    assert set(current(session)) == {entry_id}


def test_an_unknown_entry_is_told_at_its_field(session: Session) -> None:
    (outcome,) = record(session, correction_row(uuid.uuid4(), 10))
    assert [fault.field for fault in outcome.faults] == ["entry"]
    assert "import it first" in outcome.faults[0].sentence


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"defect": "splitt"}, "defect: 'splitt' is not a defect of this plant; near it: split"),
        ({"dome_code": "9-1"}, "dome_code: '9-1' names line 9, which this plant does not have"),
    ],
)
def test_what_the_plant_does_not_have_is_told_at_the_changes(
    session: Session, changes: dict[str, str], sentence: str
) -> None:
    entry_id = logged(session)
    before = current(session)
    outcome, kept = record(
        session,
        correction_row(entry_id, 10, changes=changes),
        correction_row(entry_id, 11, changes={"note": "kept"}),
    )
    assert [fault.field for fault in outcome.faults] == ["changes"]
    assert sentence in outcome.faults[0].sentence
    assert kept.is_kept
    assert current(session) != before


def test_the_same_id_with_other_content_conflicts(session: Session) -> None:
    entry_id, correction_id = logged(session), uuid.uuid4()
    facts = [
        correction_row(entry_id, 10, id=correction_id, reason=reason) for reason in ("one", "two")
    ]
    created, refused = record(session, *facts)
    assert created.is_kept
    assert refused.is_conflict
    (again,) = record(session, facts[1])
    assert again.is_conflict


def test_a_correction_made_on_a_page_is_the_same_when_it_comes_back_from_a_file(
    session: Session,
) -> None:
    entry_id, correction_id = logged(session), uuid.uuid4()
    values: dict[str, Any] = {"cans": 3, "made_at": hour(-3), "dome_code": "1-?", "note": 'a "b"'}
    fact = CorrectionFact(id=correction_id, entry=entry_id, reason="counted", values=values)
    correct_entry(session, fact, ACTOR, hour(10))
    kept = session.execute(select(EntryCorrection)).scalar_one()
    row = correction_row(
        entry_id,
        10,
        id=correction_id,
        corrected_by=kept.corrected_by,
        reason="counted",
        changes=kept.changes,
    )
    assert row.changes == kept.changes
    assert became(record(session, row)) == ["unchanged"]


def test_many_corrections_leave_one_audit_record(session: Session) -> None:
    entry_id = logged(session)
    facts = [correction_row(entry_id, number, changes=COUNTS) for number in range(3)]
    record(session, *facts)
    (made,) = session.execute(
        select(AuditRecord).where(AuditRecord.action == "record corrections")
    ).scalars()
    assert json.loads(made.after or "")["rows"] == 3


def test_the_number_of_statements_does_not_grow_with_the_corrections(
    session: Session, statements: Statements
) -> None:
    ids = [logged(session, number) for number in range(60)]

    def sent_for(chosen: list[uuid.UUID]) -> int:
        facts = [correction_row(one, 100, changes={"note": str(len(chosen))}) for one in chosen]
        with statements.counted() as sent:
            record(session, *facts)
        return len(sent)

    assert sent_for(ids[:25]) == sent_for(ids)
