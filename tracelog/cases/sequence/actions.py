"""Keeping a check of cans taken in order."""

from datetime import datetime
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import was_accepted
from tracelog.cases.models import SequenceCheck
from tracelog.cases.sequence.facts import SequenceCheckFact
from tracelog.db import new_id
from tracelog.defects.selecting import defect_id_of
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome
from tracelog.plant.queries import directory


def keep_sequence_check(
    session: Session, fact: SequenceCheckFact, actor: Actor, now: datetime
) -> Outcome:
    """Keep a row of cans as it was found.

    Args:
        session: an open session that writes.
        fact: the check; the same id again changes nothing.
        actor: who took it.
        now: UTC.

    Raises:
        UnknownReference: the plant has no such line or defect.
        TracelogError: it was taken in the future.
        Conflict: the id was accepted before with other content.
    """
    take_turn(session)
    said = _said(session, fact)
    refusal = _("a check with this id says something else; write another")
    if was_accepted(session, SequenceCheck, fact.id, said, refusal):
        return UNCHANGED
    if fact.taken_at > now:
        raise TracelogError(_("lies ahead; give a time up to now"), "taken_at")
    key = fact.id or new_id()
    subject = Subject("sequence check", str(key))
    after = fact.model_dump(exclude={"id", "taken", "bad", "unseen"})
    audit_id = append(session, actor, now, "keep sequence check", subject, None, after)
    session.execute(
        insert(SequenceCheck).values(
            id=key, written_at=now, by=actor.name, audit_id=audit_id, **said
        )
    )
    return CREATED


def _said(session: Session, fact: SequenceCheckFact) -> dict[str, Any]:
    defect_id = defect_id_of(session, fact.defect)
    return {
        "line_id": directory(session).line(fact.line),
        "defect_id": defect_id,
        "taken_after": fact.taken_after,
        "taken_at": fact.taken_at,
        "cans": fact.row,
        "note": fact.note,
    }
