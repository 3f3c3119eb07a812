"""Opening a case, writing what was done, ending it."""

import uuid
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.cases.facts import CaseFact, SignalFact, StepFact, StepKind
from tracelog.cases.models import Case, CaseStep
from tracelog.cases.queries import case, place_of
from tracelog.cases.rules import Verdict
from tracelog.db import new_id
from tracelog.defects.queries import vocabulary
from tracelog.errors import Conflict, TracelogError, UnknownReference
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome
from tracelog.plant.queries import directory
from tracelog.trends.signals.actions import decide
from tracelog.trends.signals.facts import DecisionFact
from tracelog.trends.signals.rules import Decision


def open_case(session: Session, fact: CaseFact, actor: Actor, now: datetime) -> Outcome:
    """Open a case.

    Args:
        session: an open session that writes.
        fact: what is looked into; the same id again changes nothing.
        actor: who opens it.
        now: UTC.

    Raises:
        UnknownReference: the plant has no such defect, machine or line.
        TracelogError: the trouble begins in the future.
        Conflict: the id was accepted before with other content.
    """
    take_turn(session)
    kinds = {kind.defect: kind.id for kind in vocabulary(session)}
    if fact.defect not in kinds:
        raise UnknownReference(
            _("'%(defect)s' is not a defect of this plant", defect=fact.defect), "defect"
        )
    if fact.since_at >= now:
        raise TracelogError(_("lies ahead; say since when it has been seen"), "since_at")
    line_id, machine_id = place_of(session, fact.place)
    said = {
        "title": fact.title,
        "defect_id": kinds[fact.defect],
        "line_id": line_id,
        "machine_id": machine_id,
        "since_at": fact.since_at,
    }
    if fact.id is not None:
        earlier = session.execute(
            select(Case.title, Case.defect_id, Case.line_id, Case.machine_id, Case.since_at).where(
                Case.id == fact.id
            )
        ).one_or_none()
        if earlier is not None:
            if earlier._asdict() == said:
                return UNCHANGED
            raise Conflict(_("a case with this id says something else; open a new one"), "id")
    case_id = fact.id or new_id()
    after = fact.model_dump(exclude={"id"})
    audit_id = append(session, actor, now, "open case", Subject("case", str(case_id)), None, after)
    session.execute(
        insert(Case).values(
            id=case_id, opened_at=now, opened_by=actor.name, audit_id=audit_id, **said
        )
    )
    return CREATED


def attach_signal(session: Session, fact: SignalFact, actor: Actor, now: datetime) -> Outcome:
    """Attach a signal to a case: what was decided about it is to look into it there.

    Args:
        session: an open session that writes.
        fact: the case and the signal.
        actor: who attaches it.
        now: UTC.

    Raises:
        NotFound: there is no such case, or no such signal.
        Conflict: the case has ended; or the id says otherwise.
        UnknownReference: the plant has no such machine.
        BadFact: the kind is no kind of signal.
    """
    take_turn(session)
    standing = case(session, fact.case, now)
    if not standing.is_open:
        raise Conflict(_("the case has ended; reopen it"), "case")
    said = fact.model_dump(exclude={"case"}) | {"decision": Decision.ATTACHED.value}
    decided = DecisionFact.read(said, ZoneInfo("UTC"))
    machine = directory(session).machine_named(fact.machine)
    return decide(session, decided, machine.id, actor, now, fact.case)


def add_step(session: Session, fact: StepFact, actor: Actor, now: datetime) -> Outcome:
    """Write a note, an action or the end of a case.

    A case ends as held only when the data say so.

    Args:
        session: an open session that writes.
        fact: the step.
        actor: who writes it.
        now: UTC.

    Raises:
        NotFound: there is no such case.
        Conflict: the case has ended, or has not, as the step needs; or the id says otherwise.
        TracelogError: the step lies ahead, an action is older than the case looks back, or the
            numbers do not say that the fix held.
    """
    take_turn(session)
    known = _known_step(session, fact)
    if known is not None:
        return known
    standing = case(session, fact.case, now)
    if fact.at > now:
        raise TracelogError(_("lies ahead; only what was done is written"), "at")
    if fact.kind is StepKind.ACTION and fact.at <= standing.case.since_at:
        raise TracelogError(
            _(
                "is not after the time since which the case looks back, so that there is nothing"
                " before it to compare with; give a later time, or write it as a note"
            ),
            "at",
        )
    if standing.is_open == (fact.kind is StepKind.REOPENED):
        sentence = (
            _("the case is open already")
            if standing.is_open
            else _("the case has ended; reopen it")
        )
        raise Conflict(sentence, "kind")
    verdict = standing.verification.verdict
    if fact.kind is StepKind.HELD and verdict is not Verdict.HELD:
        raise TracelogError(
            _(
                "the numbers do not say that the fix held (%(verdict)s); wait for more strokes,"
                " or end the case without that, with a reason",
                verdict=verdict.value,
            ),
            "kind",
        )
    step_id = fact.id or new_id()
    after = fact.model_dump(exclude={"id", "case"})
    subject = Subject("case", str(fact.case))
    audit_id = append(session, actor, now, f"case step: {fact.kind}", subject, None, after)
    session.execute(
        insert(CaseStep).values(
            id=step_id,
            case_id=fact.case,
            kind=fact.kind.value,
            at=fact.at,
            written_at=now,
            text=fact.text,
            by=actor.name,
            audit_id=audit_id,
        )
    )
    return CREATED


def _known_step(session: Session, fact: StepFact) -> Outcome | None:
    if fact.id is None:
        return None
    row = session.execute(
        select(CaseStep.case_id, CaseStep.kind, CaseStep.at, CaseStep.text).where(
            CaseStep.id == fact.id
        )
    ).one_or_none()
    if row is None:
        return None
    same: tuple[uuid.UUID, str, datetime, str] = (fact.case, fact.kind.value, fact.at, fact.text)
    if tuple(row) == same:
        return UNCHANGED
    raise Conflict(_("a step with this id says something else; write a new one"), "id")
