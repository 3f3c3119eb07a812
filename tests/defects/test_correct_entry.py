"""Correcting, withdrawing and bringing back one entry; what it said before stays on record."""

import json
import uuid
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.defects.small_plant import (
    ACTOR,
    corrected,
    current,
    hour,
    logged,
    standing_machine,
    write_plant,
)
from tests.support.statements import Statements
from tracelog.audit import AuditRecord
from tracelog.defects.actions import correct_entry, rebuild_entries
from tracelog.defects.facts import CorrectionFact
from tracelog.defects.models import CurrentEntry, Entry, EntryCorrection
from tracelog.defects.queries import entry
from tracelog.errors import BadFact, Conflict, NotFound
from tracelog.outcomes import CREATED, UNCHANGED, Outcome


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def correct(
    session: Session,
    entry_id: uuid.UUID,
    *,
    at: float = 500,
    expected: int | None = None,
    correction_id: uuid.UUID | None = None,
    withdrawn: bool | None = None,
    reason: str = "misread",
    **values: Any,
) -> Outcome:
    fact = CorrectionFact(
        id=correction_id, entry=entry_id, reason=reason, withdrawn=withdrawn, values=values
    )
    return correct_entry(session, fact, ACTOR, hour(at), expected)


def faults(session: Session, entry_id: uuid.UUID, **values: Any) -> dict[str, str]:
    with pytest.raises(BadFact) as told:
        correct(session, entry_id, **values)
    return {fault.field: fault.sentence for fault in told.value.faults}


def corrections(session: Session) -> int:
    return session.execute(select(func.count()).select_from(EntryCorrection)).scalar_one()


def test_only_the_named_fields_change(session: Session) -> None:
    entry_id = logged(session, 0, "1-?", note="first", coil="K1")
    assert correct(session, entry_id, dome_code="01/02", defect="wrinkle") == CREATED
    now = entry(session, entry_id).now
    assert (now.dome_code, now.defect, now.note, now.coil) == ("1-2", "wrinkle", "first", "K1")
    assert now.corrections == 1
    assert standing_machine(session, entry_id) == "1-2"


def test_the_entry_as_logged_is_never_changed(session: Session) -> None:
    entry_id = logged(session, cans=2)
    before = session.execute(select(Entry.cans, Entry.dome_code, Entry.audit_id)).one()
    correct(session, entry_id, cans=5, dome_code="")
    session.expire_all()
    assert session.execute(select(Entry.cans, Entry.dome_code, Entry.audit_id)).one() == before


def test_a_named_blank_means_not_known_after_all(session: Session) -> None:
    entry_id = logged(session, note="dent", coil="K1")
    correct(session, entry_id, note="", coil=None)
    now = entry(session, entry_id).now
    assert (now.note, now.coil) == (None, None)


def test_a_time_without_an_offset_is_plant_time(session: Session) -> None:
    entry_id = logged(session, 5)
    correct(session, entry_id, made_at="2026-02-02T06:30")
    assert entry(session, entry_id).now.occurred_at == hour(0.5)


def test_a_production_entry_becomes_a_sample_and_back(session: Session) -> None:
    entry_id = logged(session)
    correct(session, entry_id, inspected=200, cans=0)
    sample = session.execute(select(CurrentEntry.inspected, CurrentEntry.cans)).one()
    assert tuple(sample) == (200, 0)
    correct(session, entry_id, inspected="", cans=1, at=501)
    assert entry(session, entry_id).now.inspected is None


@pytest.mark.parametrize(
    ("values", "field", "sentence"),
    [
        ({"seen_at": ""}, "seen_at", "is missing"),
        ({"seen_at": "noon"}, "seen_at", "is not an instant"),
        ({"dome_code": "17"}, "dome_code", "'17' is not a dome code"),
        ({"dome_code": "9-1"}, "dome_code", "names line 9, which this plant does not have"),
        ({"defect": ""}, "defect", "is missing"),
        ({"defect": "splitt"}, "defect", "near it: split"),
        ({"cans": 0}, "cans", "is 0; a finding in running production has at least 1 can"),
        ({"cans": 3}, "occurrences", "4 separate happenings are more than the 3 cans"),
        ({"occurrences": 6}, "occurrences", "6 separate happenings are more than the 5 cans"),
        ({"inspected": 4}, "cans", "5 bad cans are more than the 4 inspected"),
        ({"inspected": "x"}, "inspected", "is not a whole number"),
        ({"found_at": "x" * 81}, "found_at", "at most 80 are kept"),
        ({"made_at": "2026-02-02T10:00"}, "made_at", "is after seen_at"),
        ({"coil": "x" * 81}, "coil", "at most 80 are kept"),
        ({"pallet": "x" * 81}, "pallet", "at most 80 are kept"),
        ({"mark": "x" * 81}, "mark", "at most 80 are kept"),
        ({"note": "\x00"}, "note", "has a control character"),
    ],
)
def test_a_corrected_entry_that_would_be_wrong_is_refused_at_its_field(
    session: Session, values: dict[str, Any], field: str, sentence: str
) -> None:
    entry_id = logged(session, 1, cans=5, occurrences=4)
    before = current(session)
    assert sentence in faults(session, entry_id, **values)[field]
    assert current(session) == before
    assert corrections(session) == 0


def test_a_correction_that_changes_nothing_is_refused(session: Session) -> None:
    entry_id = logged(session, note="dent")
    sentence = "changes nothing; name a field with another value"
    assert faults(session, entry_id) == {"": sentence}
    assert faults(session, entry_id, note=" dent ", dome_code="01-01") == {"": sentence}
    assert faults(session, entry_id, withdrawn=False) == {"": sentence}


def test_an_unknown_entry_is_not_found(session: Session) -> None:
    with pytest.raises(NotFound, match="there is no entry with the id"):
        correct(session, uuid.uuid4(), cans=2)


def test_a_withdrawn_entry_counts_nowhere_and_stays_on_record(session: Session) -> None:
    entry_id = logged(session)
    correct(session, entry_id, withdrawn=True, reason="logged twice")
    assert current(session) == {}
    record = entry(session, entry_id)
    assert record.is_withdrawn
    assert [one.reason for one in record.corrections] == ["logged twice"]


def test_a_withdrawn_entry_stays_withdrawn_until_it_is_brought_back(session: Session) -> None:
    entry_id = logged(session)
    correct(session, entry_id, withdrawn=True)
    correct(session, entry_id, at=501, note="still wrong")
    assert current(session) == {}
    correct(session, entry_id, at=502, withdrawn=False, reason="it was right")
    assert entry(session, entry_id).now.note == "still wrong"
    assert set(current(session)) == {entry_id}


def test_the_same_correction_again_changes_nothing(session: Session) -> None:
    entry_id, correction_id = logged(session), uuid.uuid4()
    for outcome in (CREATED, UNCHANGED, UNCHANGED):
        assert correct(session, entry_id, correction_id=correction_id, cans="02") == outcome
    assert corrections(session) == 1


def test_a_repeated_correction_is_known_also_after_later_ones(session: Session) -> None:
    entry_id, correction_id = logged(session), uuid.uuid4()
    correct(session, entry_id, correction_id=correction_id, cans=2)
    correct(session, entry_id, at=501, cans=3, withdrawn=True)
    assert correct(session, entry_id, correction_id=correction_id, cans=2, expected=0) == UNCHANGED


@pytest.mark.parametrize(
    "other",
    [
        {"cans": 3},
        {"cans": "many"},
        {"cans": 2, "note": "dent"},
        {"note": "dent"},
        {"cans": 2, "reason": "another"},
        {"cans": 2, "withdrawn": True},
    ],
)
def test_the_same_id_with_another_correction_is_a_conflict(
    session: Session, other: dict[str, Any]
) -> None:
    entry_id, correction_id = logged(session), uuid.uuid4()
    correct(session, entry_id, correction_id=correction_id, cans=2)
    with pytest.raises(Conflict, match="was accepted before and says else") as told:
        correct(session, entry_id, correction_id=correction_id, **other)
    assert told.value.field == "id"


def test_the_same_id_for_another_entry_is_a_conflict(session: Session) -> None:
    first, second, correction_id = logged(session), logged(session, 1), uuid.uuid4()
    correct(session, first, correction_id=correction_id, cans=2)
    with pytest.raises(Conflict):
        correct(session, second, correction_id=correction_id, cans=2)


def test_who_did_not_see_the_last_correction_does_not_overwrite_it(session: Session) -> None:
    entry_id = logged(session)
    correct(session, entry_id, expected=0, cans=2)
    with pytest.raises(Conflict, match="somebody has corrected this entry meanwhile"):
        correct(session, entry_id, expected=0, cans=3, at=501)
    assert entry(session, entry_id).now.cans == 2
    assert correct(session, entry_id, expected=1, cans=3, at=501) == CREATED


def test_a_correction_comes_after_those_it_builds_on_whatever_the_clock_says(
    session: Session,
) -> None:
    entry_id = logged(session)
    correct(session, entry_id, at=500, cans=2)
    correct(session, entry_id, at=400, cans=3)
    made = [one.corrected_at for one in entry(session, entry_id).corrections]
    assert made == [hour(500), hour(500) + timedelta(microseconds=1)]
    assert entry(session, entry_id).now.cans == 3


def test_who_when_why_and_what_stand_in_the_history(session: Session) -> None:
    entry_id = logged(session, 0, "1-?", cans=2)
    correct(session, entry_id, dome_code="1-2", cans=2, reason="held to the light")
    correct(session, entry_id, at=501, dome_code="", note="unsure", reason="unsure again")
    record = entry(session, entry_id)
    assert (record.original.dome_code, record.now.dome_code) == ("1-?", None)
    assert [
        (one.corrected_at, one.corrected_by, one.reason, one.withdrawn)
        for one in record.corrections
    ] == [
        (hour(500), "Ana", "held to the light", False),
        (hour(501), "Ana", "unsure again", False),
    ]
    assert [
        [(change.field, change.before, change.after) for change in one.changes]
        for one in record.corrections
    ] == [[("dome_code", "1-?", "1-2")], [("dome_code", "1-2", ""), ("note", "", "unsure")]]


def test_a_correction_leaves_before_and_after_in_the_audit_trail(session: Session) -> None:
    entry_id = logged(session, note="dent")
    correct(session, entry_id, note="", reason="no dent")
    correct(session, entry_id, at=501, withdrawn=True)
    records = session.execute(
        select(AuditRecord)
        .where(AuditRecord.subject == str(entry_id), AuditRecord.action != "log entries")
        .order_by(AuditRecord.sequence)
    ).scalars()
    first, second = records
    assert first.action == "correct entry"
    assert json.loads(first.before or "") == {"note": "dent", "withdrawn": False}
    assert json.loads(first.after or "") == {"note": "", "withdrawn": False, "reason": "no dent"}
    assert second.action == "withdraw entry"


def test_a_correction_takes_a_fixed_number_of_statements(
    session: Session, statements: Statements
) -> None:
    entry_id = logged(session)
    with statements.counted() as first:
        correct(session, entry_id, cans=2)
    for number in range(5):
        corrected(session, entry_id, 600 + number, changes={"note": str(number)})
    with statements.counted() as second:
        correct(session, entry_id, cans=3, at=700)
    assert len(first) == len(second) <= 25


def test_rebuilding_gives_what_correcting_gave(session: Session) -> None:
    entry_id = logged(session, 0, "1-?")
    correct(session, entry_id, dome_code="1-2", made_at=hour(-5))
    correct(session, logged(session, 1), withdrawn=True)
    before = current(session)
    rebuild_entries(session)
    assert current(session) == before
