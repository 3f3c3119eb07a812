"""Linking things to a case, and taking links back."""

import uuid
from datetime import datetime
from typing import Any

from sqlalchemy import Select, insert, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import was_accepted
from tracelog.cases.links.facts import LinkFact, UnlinkFact
from tracelog.cases.models import Case, CaseLink, CaseUnlink, Complaint, SequenceCheck
from tracelog.db import new_id
from tracelog.defects.models import DefectType, Entry, Photo
from tracelog.errors import Conflict, NotFound, UnknownReference
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome
from tracelog.plant.models import Coil, Pallet, Tool
from tracelog.plant.queries import directory
from tracelog.trace.models import Hold


def link(session: Session, fact: LinkFact, actor: Actor, now: datetime) -> Outcome:
    """Link one thing to a case.

    Args:
        session: an open session that writes.
        fact: the case and the thing; the same id again changes nothing.
        actor: who links it.
        now: UTC.

    Raises:
        NotFound: there is no such case.
        UnknownReference: there is no such thing.
        Conflict: it is linked already; or the id was accepted before with other content.
    """
    take_turn(session)
    _demand_case(session, fact.case)
    target = fact.target
    column, said = f"{target}_id", getattr(fact, target)
    values = {
        "case_id": fact.case,
        "note": fact.note,
        column: _target_id(session, target, said),
    }
    refusal = _("a link with this id says something else; make a new one")
    if was_accepted(session, CaseLink, fact.id, values, refusal):
        return UNCHANGED
    standing = (
        select(CaseLink.id)
        .outerjoin(CaseUnlink)
        .where(
            CaseLink.case_id == fact.case,
            getattr(CaseLink, column) == values[column],
            CaseUnlink.link_id.is_(None),
        )
    )
    if session.execute(standing).first() is not None:
        raise Conflict(_("is linked to this case already"), target)
    after = {target: said} | ({"note": fact.note} if fact.note else {})
    subject = Subject("case", str(fact.case))
    audit_id = append(session, actor, now, "link to case", subject, None, after)
    session.execute(
        insert(CaseLink).values(
            id=fact.id or new_id(), written_at=now, by=actor.name, audit_id=audit_id, **values
        )
    )
    return CREATED


def unlink(session: Session, fact: UnlinkFact, actor: Actor, now: datetime) -> Outcome:
    """Take a link back; it stays on record.

    Args:
        session: an open session that writes.
        fact: which link of which case, and why.
        actor: who takes it back.
        now: UTC.

    Raises:
        NotFound: the case has no such link.
        Conflict: it was taken back before, for another reason.
    """
    take_turn(session)
    found = select(CaseLink.id).where(CaseLink.id == fact.id, CaseLink.case_id == fact.case)
    if session.execute(found).one_or_none() is None:
        raise NotFound(_("the case has no link with the id %(id)s", id=fact.id))
    earlier = session.execute(
        select(CaseUnlink.reason).where(CaseUnlink.link_id == fact.id)
    ).scalar_one_or_none()
    if earlier is not None:
        if earlier == fact.reason:
            return UNCHANGED
        raise Conflict(_("was taken back already"), "id")
    after = {"link": fact.id, "reason": fact.reason}
    subject = Subject("case", str(fact.case))
    audit_id = append(session, actor, now, "unlink from case", subject, None, after)
    session.execute(
        insert(CaseUnlink).values(
            link_id=fact.id, reason=fact.reason, written_at=now, by=actor.name, audit_id=audit_id
        )
    )
    return CREATED


def _demand_case(session: Session, case_id: uuid.UUID) -> None:
    if session.execute(select(Case.id).where(Case.id == case_id)).one_or_none() is None:
        raise NotFound(_("there is no case with the id %(id)s", id=case_id))


def _target_id(session: Session, target: str, said: Any) -> uuid.UUID:
    """The row that a thing's name stands for.

    Raises:
        UnknownReference: there is none; told at the name of the field.
    """
    if target == "machine":
        try:
            return directory(session).machine_named(said).id
        except UnknownReference as problem:
            raise UnknownReference(problem.sentence, "machine") from None
    named: dict[str, Select[Any]] = {
        "tool": select(Tool.id).where(Tool.serial == said),
        "coil": select(Coil.id).where(Coil.coil == said),
        "pallet": select(Pallet.id).where(Pallet.pallet == said),
        "hold": select(Hold.id).where(Hold.number == said),
        "defect": select(DefectType.id).where(DefectType.defect == said),
        "entry": select(Entry.id).where(Entry.id == said),
        "complaint": select(Complaint.id).where(Complaint.number == said),
        "photo": select(Photo.id).where(Photo.id == said),
        "sequence_check": select(SequenceCheck.id).where(SequenceCheck.id == said),
    }
    found: uuid.UUID | None = session.execute(named[target]).scalar_one_or_none()
    if found is None:
        raise UnknownReference(
            _(
                "there is no %(kind)s '%(name)s' on record",
                kind=target.replace("_", " "),
                name=str(said)[:40],
            ),
            target,
        )
    return found
