"""Opening a case with what was known then, and attaching signals to it."""

import hashlib
import uuid
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import insert
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import was_accepted
from tracelog.cases.facts import CaseFact, SignalFact
from tracelog.cases.links.actions import link
from tracelog.cases.links.facts import LinkFact
from tracelog.cases.models import Case, CaseExplanation
from tracelog.cases.opening.queries import explain_if_possible
from tracelog.cases.queries import case, place_of
from tracelog.db import new_id
from tracelog.defects.selecting import defect_id_of
from tracelog.errors import Conflict, TracelogError
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome
from tracelog.plant.queries import directory
from tracelog.trends.signals.actions import decide
from tracelog.trends.signals.facts import DecisionFact
from tracelog.trends.signals.rules import Decision

UTC_ZONE = ZoneInfo("UTC")


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
    defect_id = defect_id_of(session, fact.defect)
    if fact.since_at >= now:
        raise TracelogError(_("lies ahead; say since when it has been seen"), "since_at")
    line_id, machine_id = place_of(session, fact.place)
    said = {
        "title": fact.title,
        "defect_id": defect_id,
        "line_id": line_id,
        "machine_id": machine_id,
        "since_at": fact.since_at,
    }
    refusal = _("a case with this id says something else; open a new one")
    if was_accepted(session, Case, fact.id, said, refusal):
        return UNCHANGED
    # Before the turn is taken, since it takes about a second on a year of a large plant.
    explained = explain_if_possible(session, fact.defect, fact.since_at, now)
    take_turn(session)
    # Somebody may have sent the same meanwhile.
    if was_accepted(session, Case, fact.id, said, refusal):
        return UNCHANGED
    case_id = fact.id or new_id()
    after = fact.model_dump(exclude={"id"}, exclude_none=True)
    if explained is not None:
        after["explanation"] = hashlib.sha256(explained.text.encode()).hexdigest()
    audit_id = append(session, actor, now, "open case", Subject("case", str(case_id)), None, after)
    session.execute(
        insert(Case).values(
            id=case_id, opened_at=now, opened_by=actor.name, audit_id=audit_id, **said
        )
    )
    if explained is not None:
        session.execute(
            insert(CaseExplanation).values(
                case_id=case_id,
                asked_from=explained.asked_from,
                asked_to=explained.asked_to,
                made_at=explained.made_at,
                answer=explained.text,
                audit_id=audit_id,
            )
        )
    _link_origin(session, case_id, fact, actor, now)
    return CREATED


def _link_origin(
    session: Session, case_id: uuid.UUID, fact: CaseFact, actor: Actor, now: datetime
) -> None:
    """Link what the case is opened from, and attach its signal."""
    for target in ("entry", "complaint"):
        said = getattr(fact, target)
        if said is not None:
            told = LinkFact.model_validate({"case": case_id, target: said})
            link(session, told, actor, now)
    if fact.signal_kind is None or fact.signal_raised_at is None:
        return
    signal = {
        "case": str(case_id),
        "machine": fact.place,
        "defect": fact.defect,
        "kind": fact.signal_kind,
        "raised_at": fact.signal_raised_at,
    }
    attach_signal(session, SignalFact.read(signal, UTC_ZONE), actor, now)


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
    decided = DecisionFact.read(said, UTC_ZONE)
    machine = directory(session).machine_named(fact.machine)
    return decide(session, decided, machine.id, actor, now, fact.case)
