"""Writing what was checked, found, changed and noted of a case, and ending it."""

import uuid
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import was_accepted
from tracelog.cases.facts import ACTED, StepFact, StepKind
from tracelog.cases.models import CaseStep
from tracelog.cases.queries import CaseStanding, CaseView, case
from tracelog.cases.rules import Verdict
from tracelog.db import new_id
from tracelog.errors import Conflict, TracelogError, UnknownReference
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome, demand_kept
from tracelog.plant.actions import record_changes
from tracelog.plant.facts import ChangeFact
from tracelog.plant.models import Change
from tracelog.plant.queries import directory


def add_step(session: Session, fact: StepFact, actor: Actor, now: datetime) -> Outcome:
    """Write a step of a case; a change is kept as a change of the plant, too.

    A case ends as held only when the data say so, or as judged when somebody says so.

    Args:
        session: an open session that writes.
        fact: the step; the same id again changes nothing.
        actor: who writes it.
        now: UTC.

    Raises:
        NotFound: there is no such case.
        Conflict: the case has ended, or has not, as the step needs; the id says otherwise; or the
            change is known with other words.
        UnknownReference: the plant has no such machine.
        TracelogError: the step lies ahead, something was done before the case looks back, or the
            numbers do not say that the fix held.
    """
    take_turn(session)
    if _is_known(session, fact):
        return UNCHANGED
    standing = case(session, fact.case, now)
    _demand_time(fact, standing.case, now)
    _demand_state(fact, standing)
    change_id = None
    if fact.kind is StepKind.CHANGED:
        change_id = _record_change(session, fact, standing.case, actor, now)
    after = fact.model_dump(exclude={"id", "case"}, exclude_none=True)
    subject = Subject("case", str(fact.case))
    audit_id = append(session, actor, now, f"case step: {fact.kind}", subject, None, after)
    session.execute(
        insert(CaseStep).values(
            id=fact.id or new_id(),
            case_id=fact.case,
            kind=fact.kind.value,
            at=fact.at,
            written_at=now,
            text=fact.text,
            by=actor.name,
            minutes_down=fact.minutes_down,
            change_id=change_id,
            audit_id=audit_id,
        )
    )
    return CREATED


def _demand_time(fact: StepFact, view: CaseView, now: datetime) -> None:
    if fact.at > now:
        raise TracelogError(_("lies ahead; only what was done is written"), "at")
    if fact.kind in ACTED and fact.at <= view.since_at:
        raise TracelogError(
            _(
                "is not after the time since which the case looks back, so that there is nothing"
                " before it to compare with; give a later time, or write it as a note"
            ),
            "at",
        )


def _demand_state(fact: StepFact, standing: CaseStanding) -> None:
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
                " or end the case by judgement or without that, with a reason",
                verdict=verdict.value,
            ),
            "kind",
        )


def _record_change(
    session: Session, fact: StepFact, view: CaseView, actor: Actor, now: datetime
) -> uuid.UUID:
    """Keep the change and find it: one that is known already with these words is the same."""
    places = directory(session)
    where = fact.machine or view.place
    try:
        machine = None if where.isdecimal() else places.machine_named(where)
        line = int(where) if machine is None else machine.line
        line_id = places.line(line)
    except UnknownReference as problem:
        raise UnknownReference(problem.sentence, "machine") from None
    if machine is not None and machine.station != "bodymaker":
        raise TracelogError(_("is no bodymaker; name one, or the line"), "machine")
    said: dict[str, Any] = {
        "line": line,
        "bodymaker": None if machine is None else machine.number,
        "at": fact.at,
        "kind": fact.change,
        "note": fact.text,
    }
    change = ChangeFact.read(said, ZoneInfo("UTC"))
    told_at = {"note": "text", "kind": "change", "line": "machine", "bodymaker": "machine"}
    demand_kept(record_changes(session, [change], actor, now), told_at)
    asked = select(Change.id).where(
        Change.line_id == line_id,
        Change.machine_id.is_(None) if machine is None else Change.machine_id == machine.id,
        Change.at == change.at,
        Change.kind == change.kind,
    )
    return session.execute(asked).scalar_one()


def _is_known(session: Session, fact: StepFact) -> bool:
    said = {
        "case_id": fact.case,
        "kind": fact.kind.value,
        "at": fact.at,
        "text": fact.text,
        "minutes_down": fact.minutes_down,
    }
    refusal = _("a step with this id says something else; write a new one")
    return was_accepted(session, CaseStep, fact.id, said, refusal)
