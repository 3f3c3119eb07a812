"""Keeping signals as they are worked out, deciding about them, and setting the budget."""

import uuid
from datetime import datetime

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import insert_rows, was_accepted
from tracelog.db import new_id
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome
from tracelog.trends.models import (
    Signal,
    SignalBaseline,
    SignalBudget,
    SignalDecision,
    SignalEpoch,
    SignalProgress,
)
from tracelog.trends.signals.facts import BudgetFact, DecisionFact
from tracelog.trends.signals.queries import instant, worked_out_until
from tracelog.trends.signals.replay import Epoch
from tracelog.trends.signals.rules import ANY_DEFECT, Decision, Kind
from tracelog.trends.signals.working import Work, work_out, work_out_anew

_ONE = 1


def keep(session: Session, work: Work) -> bool:
    """Keep signals that were worked out, in place of those before. Derived: no audit record.

    Args:
        session: an open session that writes.
        work: what was worked out.

    Returns:
        False where somebody else has kept later ones meanwhile; nothing is changed then.
    """
    take_turn(session)
    until = worked_out_until(session)
    if (None if until is None else until[0]) != work.before:
        return False
    gone = delete(Signal)
    if work.machine_ids is not None:
        gone = gone.where(Signal.machine_id.in_(work.machine_ids))
    session.execute(gone)
    insert_rows(
        session,
        Signal,
        [
            {
                "machine_id": one.machine.id,
                "defect": one.defect,
                "kind": one.kind.value,
                "raised_at": one.raised_at,
                "since": one.since,
                "since_low": one.since_low,
                "since_high": one.since_high,
                "ended_at": one.ended_at,
                "ratio": one.ratio,
                "score": one.score,
                "threshold": one.threshold,
                "baseline_per_million": one.baseline_per_million,
                "count": one.count,
                "strokes": one.strokes,
            }
            for one in work.signals
        ],
    )
    if work.is_anew:
        _keep_epochs(session, work)
    session.execute(delete(SignalProgress))
    values = {"id": _ONE, "audit_sequence": work.sequence, "worked_out_at": work.at}
    session.execute(insert(SignalProgress).values(values))
    return True


def catch_up(session: Session, now: datetime) -> None:
    """Keep what facts that came in lately change, within a session that writes already.

    Args:
        session: an open session that writes.
        now: UTC.
    """
    work = work_out(session, now)
    if work is not None:
        keep(session, work)


def rebuild_signals(session: Session) -> None:
    """Make all that is derived of signals anew, as of when it was worked out last.

    The result is that of working out each thing as it came in.
    """
    until = worked_out_until(session)
    if until is not None:
        keep(session, work_out_anew(session, until[1]))


def _keep_epochs(session: Session, work: Work) -> None:
    session.execute(delete(SignalEpoch))
    session.execute(delete(SignalBaseline))
    rows = [
        {
            "starts_at": instant(epoch.starts_at),
            "kind": kind.value,
            "threshold": epoch.thresholds[kind],
            "false_signals_a_week": epoch.budget,
            "series": epoch.learned.watched,
        }
        for epoch in work.epochs
        for kind in Kind
    ]
    insert_rows(session, SignalEpoch, rows)
    insert_rows(
        session,
        SignalBaseline,
        [row for epoch in work.epochs for row in _baselines(epoch, work.machines, work.defects)],
    )


def _baselines(
    epoch: Epoch, machines: tuple[uuid.UUID, ...], defects: tuple[str, ...]
) -> list[dict[str, object]]:
    learned, starts_at = epoch.learned, instant(epoch.starts_at)
    rows = []
    for place, machine in enumerate(machines):
        own = [
            (defect, learned.shape[place, at], learned.strokes[place, at], learned.dispersion[at])
            for at, defect in enumerate(defects)
        ]
        together = (learned.any_shape[place], learned.any_strokes[place], learned.any_dispersion)
        rows += [
            {
                "starts_at": starts_at,
                "machine_id": machine,
                "defect": defect,
                "shape": float(shape),
                "strokes": float(strokes),
                "dispersion": float(over),
            }
            for defect, shape, strokes, over in (*own, (ANY_DEFECT, *together))
        ]
    return rows


def decide(
    session: Session,
    fact: DecisionFact,
    machine_id: uuid.UUID,
    actor: Actor,
    now: datetime,
    case_id: uuid.UUID | None = None,
) -> Outcome:
    """Acknowledge a signal, dismiss it, or attach it to a case.

    Args:
        session: an open session that writes.
        fact: which signal, and what is decided.
        machine_id: of the signal's machine.
        actor: who decides.
        now: UTC.
        case_id: of the case, which the caller has looked up; for `attached` only.

    Raises:
        NotFound: there is no such signal.
        TracelogError: it is dismissed without a reason; or attached without a case.
        Conflict: the decision's id was accepted before with other content.
    """
    take_turn(session)
    said = {
        "machine_id": machine_id,
        "defect": fact.defect,
        "kind": fact.kind.value,
        "raised_at": fact.raised_at,
        "decision": fact.decision.value,
        "case_id": case_id,
        "reason": fact.reason or "",
    }
    refusal = _("a decision with this id says something else")
    if was_accepted(session, SignalDecision, fact.id, said, refusal):
        return UNCHANGED
    known = session.execute(
        select(Signal.raised_at).where(
            Signal.machine_id == machine_id,
            Signal.defect == fact.defect,
            Signal.kind == fact.kind.value,
            Signal.raised_at == fact.raised_at,
        )
    ).one_or_none()
    if known is None:
        raise NotFound(
            _("there is no such signal any more; later data may have moved it: open the list anew")
        )
    if fact.decision is Decision.DISMISSED and not fact.reason:
        raise TracelogError(_("say why the signal is dismissed"), "reason")
    if (fact.decision is Decision.ATTACHED) != (case_id is not None):
        raise TracelogError(_("a signal is attached to a case; say to which"), "decision")
    after = fact.model_dump(mode="json") | {"case": None if case_id is None else str(case_id)}
    subject = Subject("signal", f"{fact.machine} {fact.defect or '-'} {fact.kind.value}")
    audit_id = append(session, actor, now, f"{fact.decision.value} signal", subject, None, after)
    session.execute(
        insert(SignalDecision).values(
            id=fact.id or new_id(),
            decided_at=now,
            decided_by=actor.name,
            audit_id=audit_id,
            **said,
        )
    )
    return CREATED


def set_budget(session: Session, fact: BudgetFact, actor: Actor, now: datetime) -> Outcome:
    """Set how many false signals a week the plant accepts, from the next four weeks on.

    Args:
        session: an open session that writes.
        fact: the figure and the reason.
        actor: who sets it.
        now: UTC.

    Raises:
        Conflict: the id was accepted before with other content.
    """
    take_turn(session)
    said = {"false_signals_a_week": fact.false_signals_a_week, "reason": fact.reason}
    refusal = _("a budget with this id says something else")
    if was_accepted(session, SignalBudget, fact.id, said, refusal):
        return UNCHANGED
    subject = Subject("signal budget", f"{fact.false_signals_a_week:g} a week")
    audit_id = append(session, actor, now, "set signal budget", subject, None, said)
    session.execute(
        insert(SignalBudget).values(
            id=fact.id or new_id(), set_at=now, set_by=actor.name, audit_id=audit_id, **said
        )
    )
    return CREATED
