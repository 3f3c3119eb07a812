"""Putting stock on hold, and writing what was found and decided about it."""

import hashlib
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, as_json, take_turn
from tracelog.bulk import insert_rows
from tracelog.db import new_id
from tracelog.defects.selecting import defect_id_of
from tracelog.errors import Conflict, NotAllowed, TracelogError, UnknownReference
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome, conflict, refused
from tracelog.people.permissions import may_act
from tracelog.plant.queries import directory, the_plant
from tracelog.trace.holds.facts import FOR_QUALITY, HoldFact, HoldStepFact, StepKind
from tracelog.trace.holds.queries import hold_row, kept_steps, pallets_first_held
from tracelog.trace.holds.reaching import Reached, reached
from tracelog.trace.holds.rules import ORDERED_STEPS, STATUS_STEPS, StepSeen, judge, stand
from tracelog.trace.models import Hold, HoldStep
from tracelog.trace.suspects.rules import USUAL_RISK

# More steps than these are put on record by their number and digest.
_MOST_TOLD = 500
_SAID = ("defect_id", "line_id", "machine_id", "made_from", "made_to", "accepted_risk", "reason")


def raise_hold(session: Session, fact: HoldFact, actor: Actor, now: datetime) -> Outcome:
    """Put stock on hold.

    Args:
        session: an open session that writes.
        fact: what is held and why; the same id again changes nothing.
        actor: who puts it on hold.
        now: UTC.

    Raises:
        UnknownReference: the plant has no such defect, line or machine.
        TracelogError: it lies ahead, or neither pallets nor a whole window are named.
        Conflict: the id was accepted before with other content.
    """
    take_turn(session)
    said = _said(session, fact)
    if fact.id is not None and _is_known(session, fact, said):
        return UNCHANGED
    raised_at = fact.raised_at or now
    if raised_at > now:
        raise TracelogError(_("lies ahead; give a time up to now, or leave it out"), "raised_at")
    listed = reached(session, fact, now)
    hold_id = fact.id or new_id()
    number = (session.execute(select(func.max(Hold.number))).scalar_one() or 0) + 1
    after = fact.model_dump(exclude={"id", "pallets"}) | {"pallets": [one.pallet for one in listed]}
    audit_id = append(
        session, actor, now, "put on hold", Subject("hold", str(number)), None, _brief(after)
    )
    session.execute(
        insert(Hold).values(
            id=hold_id,
            number=number,
            raised_at=raised_at,
            raised_by=actor.name,
            audit_id=audit_id,
            **said,
        )
    )
    steps = [_first_step(one, hold_id, fact, raised_at, now, actor, audit_id) for one in listed]
    insert_rows(session, HoldStep, steps)
    return CREATED


def _said(session: Session, fact: HoldFact) -> dict[str, Any]:
    """The columns of a hold that the fact gives.

    Raises:
        UnknownReference: as for `raise_hold`.
    """
    known = directory(session)
    defect_id = defect_id_of(session, fact.defect) if fact.defect is not None else None
    machine = known.machine_named(fact.machine) if fact.machine is not None else None
    line_id = known.line(fact.line) if fact.line is not None else None
    if machine is not None and line_id not in (None, machine.line_id):
        raise UnknownReference(
            _("%(machine)s is not on this line", machine=machine.text), "machine"
        )
    has_window = fact.made_from is not None and fact.made_to is not None and machine is not None
    return {
        "defect_id": defect_id,
        "line_id": machine.line_id if machine is not None else line_id,
        "machine_id": machine.id if machine is not None else None,
        "made_from": fact.made_from,
        "made_to": fact.made_to,
        "accepted_risk": (USUAL_RISK if fact.accepted_risk is None else fact.accepted_risk)
        if has_window
        else fact.accepted_risk,
        "reason": fact.reason,
    }


def _is_known(session: Session, fact: HoldFact, said: Mapping[str, Any]) -> bool:
    """Whether this very hold is kept already.

    Raises:
        Conflict: the id was accepted before with other content.
    """
    columns = [getattr(Hold, name) for name in _SAID]
    earlier = session.execute(select(*columns).where(Hold.id == fact.id)).one_or_none()
    if earlier is None:
        return False
    pallets = pallets_first_held(session, fact.id)
    if earlier._asdict() == said and set(fact.pallets) in (set(), pallets):
        return True
    raise Conflict(_("a hold with this id says something else; raise another one"), "id")


def _first_step(
    one: Reached,
    hold_id: uuid.UUID,
    fact: HoldFact,
    raised_at: datetime,
    now: datetime,
    actor: Actor,
    audit_id: uuid.UUID,
) -> dict[str, Any]:
    return {
        "id": new_id(),
        "hold_id": hold_id,
        "pallet": one.pallet,
        "step": StepKind.HELD.value,
        "at": raised_at,
        "written_at": now,
        "by": actor.name,
        "reason": fact.reason,
        "expected_suspect": one.expected,
        "chance_of_none": one.chance_of_none,
        "audit_id": audit_id,
    }


def write_steps(
    session: Session, facts: Sequence[HoldStepFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Write what happened to the pallets of a hold, or to the hold: all of one hold.

    Args:
        session: an open session that writes.
        facts: the steps, in order; the same id again changes nothing.
        actor: who writes them.
        now: UTC.

    Returns:
        What became of each, in order. A pallet that somebody else decided about meanwhile is
        refused as a conflict.

    Raises:
        NotFound: there is no such hold.
        NotAllowed: a step belongs to who may release stock.
    """
    _demand_quality(facts, actor)
    take_turn(session)
    row = hold_row(session, facts[0].hold)
    zone = the_plant(session).zone
    steps = kept_steps(session, row.id)
    known = {one.id: one for one in steps}
    window = (row.made_from, row.made_to)
    outcomes: list[Outcome] = []
    new: list[StepSeen] = []
    changed: set[tuple[bool, str]] = set()
    standing = stand(row.number, row.raised_by, window, steps)
    for fact in facts:
        step = _seen(fact, actor, now)
        outcome = _repeated(step, known) or _untimely(fact, now, changed)
        outcome = outcome or judge(fact, standing, actor.name, zone)
        outcomes.append(outcome or CREATED)
        if outcome is None:
            new.append(step)
            known[step.id] = step
            if fact.step in ORDERED_STEPS and fact.pallet is not None:
                changed.add((fact.step in STATUS_STEPS, fact.pallet))
            if fact.pallet is None:
                standing = stand(row.number, row.raised_by, window, [*steps, *new])
    if new:
        _keep(session, new, row, actor, now)
    return outcomes


def _demand_quality(facts: Sequence[HoldStepFact], actor: Actor) -> None:
    if any(fact.step in FOR_QUALITY for fact in facts) and not may_act(actor, "release stock"):
        raise NotAllowed(
            _("to release, concede, scrap, narrow or close belongs to quality; ask them")
        )


def _seen(fact: HoldStepFact, actor: Actor, now: datetime) -> StepSeen:
    """The step as it will be kept; where cans came from stands in its reason."""
    values = fact.model_dump(exclude={"hold", "from_pallet"})
    if fact.from_pallet is not None:
        moved = _("from pallet %(pallet)s", pallet=fact.from_pallet)
        values["reason"] = f"{moved}: {fact.reason}"
    return StepSeen(written_at=now, by=actor.name, **values)


def _repeated(step: StepSeen, known: Mapping[uuid.UUID, StepSeen]) -> Outcome | None:
    """What becomes of a step whose id is known; None: it is not."""
    earlier = known.get(step.id)
    if earlier is None:
        return None
    said, before = (
        {name: value for name, value in asdict(one).items() if name not in ("written_at", "by")}
        for one in (step, earlier)
    )
    if said == before:
        return UNCHANGED
    return conflict("id", _("a step with this id says something else; write a new one"))


def _untimely(fact: HoldStepFact, now: datetime, changed: set[tuple[bool, str]]) -> Outcome | None:
    if fact.at > now:
        return refused("at", _("lies ahead; only what was done is written"))
    if fact.step in ORDERED_STEPS and (fact.step in STATUS_STEPS, fact.pallet) in changed:
        return conflict(
            "pallet",
            _(
                "'%(pallet)s' is held, decided or sought twice at once; send one after the other",
                pallet=fact.pallet,
            ),
        )
    return None


def _keep(
    session: Session, steps: Sequence[StepSeen], row: Hold, actor: Actor, now: datetime
) -> None:
    kinds = sorted({one.step.value for one in steps})
    action = f"hold: {kinds[0]}" if len(kinds) == 1 else "hold: several steps"
    told = [
        {name: value for name, value in asdict(one).items() if value is not None} for one in steps
    ]
    for one in told:
        del one["written_at"], one["by"]
    subject = Subject("hold", str(row.number))
    audit_id = append(session, actor, now, action, subject, None, _brief({"steps": told}))
    rows = [
        asdict(one) | {"step": one.step.value, "hold_id": row.id, "audit_id": audit_id}
        for one in steps
    ]
    insert_rows(session, HoldStep, rows)


def _brief(values: dict[str, Any]) -> dict[str, Any]:
    """What is put on record: long lists by their length and digest (SHA-256 of their JSON)."""
    short = dict(values)
    for name, value in values.items():
        if isinstance(value, list) and len(value) > _MOST_TOLD:
            content = (as_json({name: value}) or "").encode()
            digest = hashlib.sha256(content).hexdigest()
            short[name] = {"count": len(value), "sha256": digest}
    return short
