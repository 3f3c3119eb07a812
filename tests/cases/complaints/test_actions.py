"""Complaints: what is kept, corrected, linked and refused."""

import json
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.cases.complaints.small_complaints import (
    LATER,
    complaint_fact,
    seen,
    step_fact,
    write,
    written,
)
from tests.support.statements import Statements
from tests.trace.holds.small_stock import MINUTE, NOW, SARA, held, told, write_stock
from tests.trace.two_lines import hour
from tracelog.audit import AuditRecord, broken_links
from tracelog.cases.complaints.actions import correct_complaint, write_complaint
from tracelog.cases.complaints.queries import ComplaintFilter, complaints
from tracelog.cases.complaints.rules import age, asks_for_seam, needs_authority
from tracelog.cases.models import Complaint, ComplaintStep
from tracelog.db import SNAPSHOT, new_id
from tracelog.errors import BadFact, Conflict, NotFound, TracelogError, UnknownReference
from tracelog.outcomes import CREATED, UNCHANGED


@pytest.fixture(autouse=True)
def _stock(session: Session) -> None:
    write_stock(session)


def rows(session: Session) -> list[int]:
    return [
        session.execute(select(func.count()).select_from(table)).scalar_one()
        for table in (Complaint, ComplaintStep, AuditRecord)
    ]


def last_record(session: Session) -> AuditRecord:
    assert broken_links(session) == []
    newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    return session.execute(newest).scalar_one()


def test_a_complaint_is_kept_and_on_record(session: Session) -> None:
    view = seen(session, written(session))
    assert (view.number, str(view.now.code), view.now.cans, view.defect_title) == (
        1,
        "1-1",
        3,
        "split",
    )
    assert view.is_open
    record = last_record(session)
    assert (record.action, record.subject_kind, record.subject) == (
        "write complaint",
        "complaint",
        "1",
    )
    assert json.loads(record.after or "")["code"] == "1-1"
    little = dict.fromkeys(("code", "certainty", "pallet", "defect", "cans", "cans_run"))
    assert seen(session, written(session, **little, note="smells")).number == 2


@pytest.mark.parametrize(
    ("said", "kind", "field", "words"),
    [
        ({"defect": "spilt"}, UnknownReference, "defect", "is not a defect"),
        ({"photo": str(new_id())}, UnknownReference, "photo", "no photo"),
        ({"received_at": LATER}, TracelogError, "received_at", "lies ahead"),
    ],
)
def test_a_complaint_that_cannot_be_is_refused(
    session: Session, said: dict[str, Any], kind: type[TracelogError], field: str, words: str
) -> None:
    before = rows(session)
    with pytest.raises(kind) as problem:
        write_complaint(session, complaint_fact(**said), SARA, NOW)
    assert problem.value.field == field
    assert words in problem.value.sentence
    assert rows(session) == before


@pytest.mark.parametrize(
    ("said", "field", "words"),
    [
        ({"code": "17"}, "code", "is not a dome code"),
        ({"certainty": "maybe"}, "certainty", "is not one of"),
        ({"code": None}, "certainty", "write the code too"),
        ({"cans": 0}, "cans", "from 1"),
        ({"cans_run": 2}, "cans_run", "fewer than the 3 bad ones"),
        ({"made_from": hour(9), "made_to": hour(8)}, "made_to", "ends after"),
        ({"received_at": None}, "received_at", "is missing"),
        ({"customer": "somebody"}, "customer", "is not known here"),
        (
            dict.fromkeys(("code", "certainty", "pallet", "defect"), None),
            "code",
            "give at least a code",
        ),
    ],
)
def test_a_field_that_is_wrong_is_told(said: dict[str, Any], field: str, words: str) -> None:
    with pytest.raises(BadFact) as problem:
        complaint_fact(**said)
    (fault,) = problem.value.faults
    assert (fault.field, words in fault.sentence) == (field, True), fault


def test_the_same_complaint_again_changes_nothing_and_another_is_refused(
    session: Session,
) -> None:
    fact = complaint_fact()
    assert write_complaint(session, fact, SARA, NOW) == CREATED
    before = rows(session)
    assert write_complaint(session, fact, SARA, LATER) == UNCHANGED
    with pytest.raises(Conflict):
        write_complaint(session, complaint_fact(id=str(fact.id), cans=4), SARA, NOW)
    assert rows(session) == before


def test_a_correction_keeps_what_it_said_before(session: Session) -> None:
    complaint = written(session)
    fact = step_fact(complaint, "corrected", changes={"code": "1-2", "pallet": None})
    assert write(session, fact) == CREATED
    assert write(session, fact) == UNCHANGED
    view = seen(session, complaint)
    assert (str(view.now.code), view.now.pallet) == ("1-2", None)
    assert (str(view.original.code), view.original.pallet) == ("1-1", "P-1")
    (step,) = view.steps
    assert [(one.field, one.before, one.after) for one in step.changes] == [
        ("code", "1-1", "1-2"),
        ("pallet", "P-1", ""),
    ]
    record = last_record(session)
    assert record.action == "complaint: corrected"
    assert json.loads(record.before or "") == {"code": "1-1", "pallet": "P-1"}
    assert seen(session, complaint, NOW + MINUTE).now.pallet == "P-1"


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"cans": "20000"}, "cans_run", "fewer than"),
        ({"defect": "spilt"}, "defect", "is not a defect"),
        ({"code": "1-1"}, "changes", "changes nothing"),
        ({"received_at": "2027-01-01T00:00Z"}, "received_at", "lies ahead"),
    ],
)
def test_a_correction_that_cannot_be_is_refused(
    session: Session, changes: dict[str, Any], field: str, words: str
) -> None:
    complaint = written(session)
    before = rows(session)
    outcome = write(session, step_fact(complaint, "corrected", changes=changes))
    assert outcome.faults[0].field == field
    assert words in told(outcome)
    assert rows(session) == before


def test_two_who_correct_at_once_are_told(session: Session) -> None:
    complaint = written(session)
    first = step_fact(complaint, "corrected", changes={"pallet": "P-2"})
    assert correct_complaint(session, first, 0, SARA, NOW + 2 * MINUTE) == CREATED
    second = step_fact(complaint, "corrected", changes={"pallet": "P-3"})
    with pytest.raises(Conflict, match="somebody else has corrected"):
        correct_complaint(session, second, 0, SARA, NOW + 3 * MINUTE)
    assert correct_complaint(session, first, 0, SARA, NOW + 3 * MINUTE) == UNCHANGED
    assert correct_complaint(session, second, 1, SARA, NOW + 3 * MINUTE) == CREATED


def test_holds_cases_and_answers_are_linked(session: Session) -> None:
    complaint, hold = written(session), held(session)
    assert write(session, step_fact(complaint, "held", hold=1)) == CREATED
    assert write(session, step_fact(complaint, "told")) == CREATED
    promise = step_fact(complaint, "promised", at=NOW + timedelta(days=1), text="day shift")
    assert write(session, promise) == CREATED
    assert write(session, step_fact(complaint, "answered")) == CREATED
    view = seen(session, complaint)
    assert view.hold_ids == (hold,)
    assert view.answered_at == NOW + MINUTE
    assert view.age(LATER).waited == timedelta(minutes=61)
    assert view.promised is not None
    assert (view.promised.text, view.told is not None) == ("day shift", True)


@pytest.mark.parametrize(
    ("step", "more", "field", "words"),
    [
        ("held", {"hold": 7}, "hold", "there is no hold 7"),
        ("case", {"case": str(new_id())}, "case", "there is no case"),
        ("photo", {"photo": str(new_id())}, "photo", "there is no photo"),
        ("note", {"at": LATER}, "at", "lies ahead"),
        ("reopened", {}, "step", "is open already"),
    ],
)
def test_a_step_that_cannot_be_is_refused(
    session: Session, step: str, more: dict[str, Any], field: str, words: str
) -> None:
    complaint = written(session)
    before = rows(session)
    outcome = write(session, step_fact(complaint, step, **more))
    assert (outcome.faults[0].field, words in told(outcome)) == (field, True)
    assert rows(session) == before


def test_steps_need_their_fields_and_no_others() -> None:
    for step, more, field in (
        ("note", {"text": ""}, "text"),
        ("held", {}, "hold"),
        ("note", {"hold": 3}, "hold"),
        ("corrected", {}, "changes"),
        ("corrected", {"changes": {"photo": "x"}}, "changes"),
        ("corrected", {"changes": "{"}, "changes"),
        ("guess", {}, "step"),
    ):
        with pytest.raises(BadFact) as problem:
            step_fact(new_id(), step, **more)
        assert problem.value.faults[0].field == field


def test_a_closed_complaint_takes_no_steps_until_it_is_opened_again(session: Session) -> None:
    complaint = written(session)
    assert write(session, step_fact(complaint, "closed")) == CREATED
    assert not seen(session, complaint).is_open
    outcome = write(session, step_fact(complaint, "note"))
    assert (outcome.is_conflict, "reopen it" in told(outcome)) == (True, True)
    assert write(session, step_fact(complaint, "reopened")) == CREATED
    assert seen(session, complaint).is_open
    with pytest.raises(NotFound):
        write(session, step_fact(new_id(), "note"))


def test_the_list_is_filtered_by_how_things_stand(session: Session) -> None:
    first, second = written(session), written(session, pallet="P-2", now=NOW + MINUTE)
    write(session, step_fact(first, "closed"))
    write(session, step_fact(second, "corrected", changes={"pallet": "P-3"}))

    def listed(at: Any = LATER, **wanted: Any) -> list[int]:
        return [one.number for one in complaints(session, ComplaintFilter(**wanted), at)]

    assert listed() == [2, 1]
    assert listed(is_open=True) == [2]
    assert listed(is_open=False) == [1]
    assert listed(pallet="P-3") == [2]
    assert listed(pallet="P-2") == []
    assert listed(before=2) == [1]
    assert listed(NOW) == [1]


def test_the_list_reads_no_more_than_is_shown(session: Session) -> None:
    """Of many, the newest that fit; closed and opened again counts as open, as of each instant."""
    ids = [written(session, now=NOW) for _n in range(6)]
    for one in ids[1:4]:
        write(session, step_fact(one, "closed"))
    write(session, step_fact(ids[2], "reopened"), NOW + 3 * MINUTE)

    def listed(most: int, at: Any = LATER, **wanted: Any) -> list[int]:
        return [one.number for one in complaints(session, ComplaintFilter(**wanted), at, most)]

    assert listed(3) == [6, 5, 4]
    assert listed(3, is_open=True) == [6, 5, 3]
    assert listed(9, is_open=True) == [6, 5, 3, 1]
    assert listed(9, is_open=False) == [4, 2]
    assert listed(9, NOW + 2 * MINUTE, is_open=False) == [4, 3, 2]
    assert listed(1, is_open=True, before=6) == [5]
    assert listed(2, is_open=True, pallet="P-1") == [6, 5]


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    counted = []
    for more in (1, 5):
        for _n in range(more):
            write(session, step_fact(written(session), "note"))
        with (
            Session(bind=session.connection(), info=SNAPSHOT) as snapshot,
            statements.counted() as texts,
        ):
            complaints(snapshot, ComplaintFilter(), LATER)
        counted.append(len(texts))
    assert counted[0] == counted[1]
    assert counted[0] <= 6


def test_a_day_is_the_most_that_a_filler_waits() -> None:
    assert not age(NOW, None, NOW + timedelta(hours=24)).is_late
    assert age(NOW, None, NOW + timedelta(hours=24, seconds=1)).is_late
    assert not age(NOW, NOW + timedelta(hours=2), NOW + timedelta(days=9)).is_late
    assert [needs_authority(one) for one in ("leak", "contact", "look", None)] == [
        True,
        True,
        False,
        False,
    ]
    assert [asks_for_seam(one) for one in ("leak", "look", None)] == [True, False, True]
