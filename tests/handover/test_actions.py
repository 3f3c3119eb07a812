"""Notes for the next shift: written once, settled with a reason, never lost."""

from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.handover.small_shifts import BY, DAY_STARTS_AT, HOUR, ZONE, write_plant
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import new_id
from tracelog.errors import BadFact, Conflict, NotFound, UnknownReference
from tracelog.handover.actions import settle_note, write_note
from tracelog.handover.facts import HandoverNoteFact, SettlementFact
from tracelog.handover.models import HandoverNote, HandoverSettlement
from tracelog.outcomes import Became

NOTE = {"about": "safety", "line": "1", "text": "lock on 1-2, the guard is off"}


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def note(**more: Any) -> HandoverNoteFact:
    return HandoverNoteFact.read({"id": str(new_id()), **NOTE, **more}, ZONE)


def rows(session: Session) -> list[int]:
    return [
        session.execute(select(func.count()).select_from(table)).scalar_one()
        for table in (HandoverNote, HandoverSettlement, AuditRecord)
    ]


def last_record(session: Session) -> AuditRecord:
    assert broken_links(session) == []
    newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    return session.execute(newest).scalar_one()


def test_a_note_is_written_once_and_put_on_record(session: Session) -> None:
    fact = note()
    assert write_note(session, fact, BY, DAY_STARTS_AT).became is Became.CREATED
    record = last_record(session)
    assert (record.action, record.subject) == ("write handover note", str(fact.id))
    before = rows(session)
    assert write_note(session, fact, BY, DAY_STARTS_AT + HOUR).became is Became.UNCHANGED
    for other in ({"text": "else"}, {"line": "2"}, {"line": ""}, {"about": "down"}):
        with pytest.raises(Conflict) as problem:
            write_note(session, note(id=str(fact.id), **other), BY, DAY_STARTS_AT)
        assert problem.value.field == "id"
    assert rows(session) == before


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"about": "weather"}, "about: 'weather' is not one of: safety"),
        ({"about": ""}, "about: is missing"),
        ({"text": "  "}, "text: is missing"),
        ({"text": "x" * 4001}, "text: is 4001 characters long"),
        ({"line": "0"}, "line: '0' is out of range"),
        ({"line": "one"}, "line: 'one' is not a whole number"),
        ({"id": "17"}, "id: '17' is not a UUID"),
    ],
)
def test_a_note_that_cannot_be_read_is_told(said: dict[str, str], words: str) -> None:
    with pytest.raises(BadFact) as problem:
        note(**said)
    assert str(problem.value).startswith(words)


def test_a_line_that_the_plant_has_not_is_told(session: Session) -> None:
    before = rows(session)
    with pytest.raises(UnknownReference) as problem:
        write_note(session, note(line="9"), BY, DAY_STARTS_AT)
    assert (problem.value.field, "line 9" in problem.value.sentence) == ("line", True)
    assert rows(session) == before


def test_a_note_is_settled_once_with_its_reason(session: Session) -> None:
    fact = note()
    write_note(session, fact, BY, DAY_STARTS_AT)
    settled = SettlementFact.read({"note": str(fact.id), "reason": "guard is on"}, ZONE)
    assert settle_note(session, settled, BY, DAY_STARTS_AT + HOUR).became is Became.CREATED
    record = last_record(session)
    assert (record.action, record.subject) == ("settle handover note", str(fact.id))
    assert "the guard is off" in (record.before or "")
    before = rows(session)
    assert settle_note(session, settled, BY, DAY_STARTS_AT + 2 * HOUR).became is Became.UNCHANGED
    other = SettlementFact.read({"note": str(fact.id), "reason": "no idea"}, ZONE)
    with pytest.raises(Conflict, match="was settled already: guard is on"):
        settle_note(session, other, BY, DAY_STARTS_AT + HOUR)
    assert rows(session) == before


def test_a_note_that_is_not_there_cannot_be_settled(session: Session) -> None:
    with pytest.raises(NotFound, match="there is no note"):
        settle_note(session, SettlementFact(note=new_id(), reason="r"), BY, DAY_STARTS_AT)
    with pytest.raises(BadFact, match="reason: is missing"):
        SettlementFact.read({"note": str(new_id()), "reason": ""}, ZONE)
