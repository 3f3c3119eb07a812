"""Writing down what the next shift must know, and settling it."""

from datetime import datetime

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import was_accepted
from tracelog.db import new_id
from tracelog.errors import Conflict, NotFound
from tracelog.handover.facts import HandoverNoteFact, SettlementFact
from tracelog.handover.models import HandoverNote, HandoverSettlement
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome
from tracelog.plant.queries import directory


def write_note(session: Session, fact: HandoverNoteFact, actor: Actor, now: datetime) -> Outcome:
    """Write down one thing the next shift must know.

    Args:
        session: an open session that writes.
        fact: the note; the same id with the same content changes nothing.
        actor: who writes it.
        now: UTC.

    Raises:
        UnknownReference: the plant has no such line.
        Conflict: the id was accepted before with another text.
    """
    take_turn(session)
    line_id = None if fact.line is None else directory(session).line(fact.line)
    said = {"line_id": line_id, "about": fact.about.value, "text": fact.text}
    refusal = _("a note with this id says something else; write a new one")
    if was_accepted(session, HandoverNote, fact.id, said, refusal):
        return UNCHANGED
    note_id = fact.id or new_id()
    after = {"line": fact.line, "about": fact.about, "text": fact.text}
    subject = Subject("handover note", str(note_id))
    audit_id = append(session, actor, now, "write handover note", subject, None, after)
    session.execute(
        insert(HandoverNote).values(
            id=note_id, written_at=now, written_by=actor.name, audit_id=audit_id, **said
        )
    )
    return CREATED


def settle_note(session: Session, fact: SettlementFact, actor: Actor, now: datetime) -> Outcome:
    """Say that a note need not be carried over any more, and why.

    Args:
        session: an open session that writes.
        fact: which note, and the reason.
        actor: who settles it.
        now: UTC.

    Raises:
        NotFound: there is no such note.
        Conflict: somebody settled it with another reason.
    """
    take_turn(session)
    known = session.execute(
        select(HandoverNote.text).where(HandoverNote.id == fact.note)
    ).scalar_one_or_none()
    if known is None:
        raise NotFound(_("there is no note with the id %(id)s", id=fact.note), "note")
    earlier = session.execute(
        select(HandoverSettlement.reason).where(HandoverSettlement.note_id == fact.note)
    ).scalar_one_or_none()
    if earlier is not None:
        if earlier == fact.reason:
            return UNCHANGED
        raise Conflict(_("the note was settled already: %(reason)s", reason=earlier), "reason")
    subject = Subject("handover note", str(fact.note))
    after = {"settled": True, "reason": fact.reason}
    audit_id = append(session, actor, now, "settle handover note", subject, {"text": known}, after)
    session.execute(
        insert(HandoverSettlement).values(
            note_id=fact.note,
            settled_at=now,
            settled_by=actor.name,
            reason=fact.reason,
            audit_id=audit_id,
        )
    )
    return CREATED
