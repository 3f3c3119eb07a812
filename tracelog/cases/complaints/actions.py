"""Writing complaints down, and what was done about them."""

import json
import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import was_accepted
from tracelog.cases.complaints.facts import (
    ComplaintFact,
    ComplaintStepFact,
    StepKind,
    values_of,
)
from tracelog.cases.complaints.queries import UTC_ZONE, ComplaintView, complaint_with_id
from tracelog.cases.models import Case, Complaint, ComplaintStep
from tracelog.db import new_id
from tracelog.defects.models import Photo
from tracelog.defects.selecting import defect_id_of
from tracelog.errors import BadFact, Conflict, TracelogError, UnknownReference
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome, conflict, refused
from tracelog.trace.models import Hold

# Written of what has not happened yet.
_AHEAD = frozenset({StepKind.PROMISED})


def write_complaint(session: Session, fact: ComplaintFact, actor: Actor, now: datetime) -> Outcome:
    """Write down what arrived.

    Args:
        session: an open session that writes.
        fact: the complaint; the same id again changes nothing.
        actor: who writes it.
        now: UTC.

    Raises:
        UnknownReference: the plant has no such defect, or there is no such photo.
        TracelogError: it was received in the future.
        Conflict: the id was accepted before with other content.
    """
    take_turn(session)
    said = _said(session, fact)
    refusal = _("a complaint with this id says something else; write another")
    if was_accepted(session, Complaint, fact.id, said, refusal):
        return UNCHANGED
    for name in ("received_at", "made_from"):
        given = getattr(fact, name)
        if given is not None and given > now:
            raise TracelogError(_("lies ahead; give a time up to now"), name)
    key = fact.id or new_id()
    number = (session.execute(select(func.max(Complaint.number))).scalar_one() or 0) + 1
    subject, after = Subject("complaint", str(number)), fact.model_dump(exclude={"id"})
    after["code"] = said["code_as_read"]
    audit_id = append(session, actor, now, "write complaint", subject, None, after)
    session.execute(
        insert(Complaint).values(
            id=key, number=number, written_at=now, written_by=actor.name, audit_id=audit_id, **said
        )
    )
    return CREATED


def _said(session: Session, fact: ComplaintFact) -> dict[str, Any]:
    defect_id = defect_id_of(session, fact.defect) if fact.defect is not None else None
    if fact.photo is not None and not _there(session, Photo.id, fact.photo):
        raise UnknownReference(_("there is no photo with the id %(id)s", id=fact.photo), "photo")
    return {
        "received_at": fact.received_at,
        "customer_reference": fact.customer_reference,
        "code_as_read": str(fact.code) if fact.code is not None else None,
        "certainty": fact.certainty.value if fact.certainty is not None else None,
        "pallet": fact.pallet,
        "coil": fact.coil,
        "time_code": fact.time_code,
        "made_from": fact.made_from,
        "made_to": fact.made_to,
        "defect_id": defect_id,
        "cans": fact.cans,
        "cans_run": fact.cans_run,
        "note": fact.note,
        "photo_id": fact.photo,
    }


def _there(session: Session, column: Any, key: uuid.UUID) -> bool:
    return session.execute(select(column).where(column == key)).one_or_none() is not None


def write_complaint_steps(
    session: Session, facts: Sequence[ComplaintStepFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Write what was done about complaints, each step by itself.

    Args:
        session: an open session that writes.
        facts: the steps, in order; the same id again changes nothing.
        actor: who writes them.
        now: UTC.

    Returns:
        What became of each, in order.

    Raises:
        NotFound: there is no such complaint.
    """
    take_turn(session)
    return [_step(session, fact, actor, now) for fact in facts]


def correct_complaint(
    session: Session, fact: ComplaintStepFact, expected: int | None, actor: Actor, now: datetime
) -> Outcome:
    """Correct a complaint of which somebody saw so many corrections.

    Args:
        session: an open session that writes.
        fact: the correction.
        expected: how many corrections whoever makes it saw; None: does not matter.
        actor: who corrects it.
        now: UTC.

    Raises:
        Conflict: somebody else corrected it meanwhile.
        NotFound: there is no such complaint.
    """
    take_turn(session)
    standing = complaint_with_id(session, fact.complaint, now)
    is_new = all(one.id != fact.id for one in standing.steps)
    if is_new and expected is not None and expected != standing.corrections:
        raise Conflict(
            _("somebody else has corrected this complaint meanwhile; look at it as it stands now")
        )
    return _step(session, fact, actor, now)


def _step(session: Session, fact: ComplaintStepFact, actor: Actor, now: datetime) -> Outcome:
    standing = complaint_with_id(session, fact.complaint, now)
    hold_id = _hold_id(session, fact.hold)
    said = {
        "complaint_id": fact.complaint,
        "step": fact.step.value,
        "at": fact.at,
        "text": fact.text,
        "changes": fact.changes,
        "case_id": fact.case,
        "photo_id": fact.photo,
        "hold_id": hold_id,
    }
    columns = [getattr(ComplaintStep, name) for name in said]
    earlier = session.execute(select(*columns).where(ComplaintStep.id == fact.id)).one_or_none()
    if earlier is not None:
        if earlier._asdict() == said:
            return UNCHANGED
        return conflict("id", _("a step with this id says something else; write a new one"))
    objection = _untimely(fact, standing, now) or _unknown(session, fact, hold_id)
    if objection is not None:
        return objection
    before: dict[str, Any] | None = None
    if fact.step is StepKind.CORRECTED:
        checked = _corrected(session, fact, standing, now)
        if isinstance(checked, Outcome):
            return checked
        before = checked
    after = fact.model_dump(exclude={"id", "complaint"}, exclude_none=True)
    subject = Subject("complaint", str(standing.number))
    audit_id = append(session, actor, now, f"complaint: {fact.step}", subject, before, after)
    session.execute(
        insert(ComplaintStep).values(
            id=fact.id, written_at=now, by=actor.name, audit_id=audit_id, **said
        )
    )
    return CREATED


def _hold_id(session: Session, number: int | None) -> uuid.UUID | None:
    if number is None:
        return None
    return session.execute(select(Hold.id).where(Hold.number == number)).scalar_one_or_none()


def _untimely(fact: ComplaintStepFact, standing: ComplaintView, now: datetime) -> Outcome | None:
    if fact.at > now and fact.step not in _AHEAD:
        return refused("at", _("lies ahead; only what was done is written"))
    if fact.step is StepKind.REOPENED and standing.is_open:
        return conflict("step", _("the complaint is open already"))
    if fact.step is not StepKind.REOPENED and not standing.is_open:
        return conflict("step", _("the complaint is closed; reopen it"))
    return None


def _unknown(
    session: Session, fact: ComplaintStepFact, hold_id: uuid.UUID | None
) -> Outcome | None:
    if fact.hold is not None and hold_id is None:
        return refused("hold", _("there is no hold %(number)d", number=fact.hold))
    if fact.case is not None and not _there(session, Case.id, fact.case):
        return refused("case", _("there is no case with the id %(id)s", id=fact.case))
    if fact.photo is not None and not _there(session, Photo.id, fact.photo):
        return refused("photo", _("there is no photo with the id %(id)s", id=fact.photo))
    return None


def _corrected(
    session: Session, fact: ComplaintStepFact, standing: ComplaintView, now: datetime
) -> dict[str, str] | Outcome:
    """The values before a correction; or why it cannot be made."""
    changes: dict[str, str] = json.loads(fact.changes or "{}")
    had = values_of(standing.now)
    sent: dict[str, Any] = {**had, **changes}
    try:
        corrected = ComplaintFact.read(sent, UTC_ZONE)
        _said(session, corrected)
    except BadFact as problem:
        first = problem.faults[0]
        return refused(first.field, first.sentence)
    except UnknownReference as problem:
        return refused(problem.field, problem.sentence)
    if corrected.received_at > now:
        return refused("received_at", _("lies ahead; give a time up to now"))
    new = values_of(corrected)
    if all(new[name] == had[name] for name in changes):
        return refused("changes", _("changes nothing; name a field with another value"))
    return {name: had[name] for name in changes}
