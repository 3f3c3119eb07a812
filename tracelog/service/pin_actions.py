"""Promising services on days, and taking promises back."""

import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.db import new_id
from tracelog.errors import Conflict, NotFound, TracelogError
from tracelog.facts import write_value
from tracelog.instants import day_of
from tracelog.language import _
from tracelog.outcomes import CHANGED, CREATED, UNCHANGED, Outcome
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.queries import MachineView, directory, the_plant
from tracelog.service.actions import check_service, services_of_bodymakers
from tracelog.service.models import ServicePin
from tracelog.service.pin_facts import PinEnd, PinRequest, ServicePinFact
from tracelog.service.pins import Pin, open_pins

_PINS = Keeping(
    table=ServicePin,
    kind="service pins",
    key=("id",),
    values=(
        *("machine_id", "service", "pinned_on", "pinned_at"),
        *("pinned_by", "note", "ended_at", "ended_because"),
    ),
    among="id",
    told_at={"machine_id": "bodymaker"},
)


def record_service_pins(
    session: Session, facts: Sequence[ServicePinFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep promises as they were made elsewhere, and complete those whose end is known now.

    Args:
        session: an open session that writes.
        facts: the promises.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)
    services = services_of_bodymakers(session)

    def row_of(fact: ServicePinFact) -> Values:
        machine = known.bodymaker(fact.line, fact.bodymaker)
        check_service(fact.service, services)
        ended = fact.ended_because.value if fact.ended_because else None
        return (
            *(fact.id, machine.id, fact.service, fact.pinned_on, fact.pinned_at),
            *(fact.pinned_by, fact.note, fact.ended_at, ended),
        )

    names = {machine.id: machine.text for machine in known.machines.values()}
    return record_rows(session, _PINS, resolved(facts, row_of), actor, now, names=names)


def pin_service(
    session: Session,
    wish: PinRequest,
    actor: Actor,
    now: datetime,
    *,
    seen: uuid.UUID | None = None,
) -> Outcome:
    """Promise a service on a day; an open promise of the same service of the machine is moved.

    Whether crews and calendar allow it is for the plan to say, not for this.

    Args:
        session: an open session that writes.
        wish: machine, service and day.
        actor: who promises it.
        now: UTC.
        seen: the open promise that the person saw, None if there was none.

    Returns:
        `CREATED`; `CHANGED` where one was moved; `UNCHANGED` where it stood on that day already.

    Raises:
        UnknownReference: there is no such machine or service.
        TracelogError: the day is over; at ``pinned_on``.
        Conflict: somebody has promised, moved or taken it back meanwhile.
    """
    take_turn(session)
    machine = directory(session).bodymaker(wish.line, wish.bodymaker)
    check_service(wish.service, services_of_bodymakers(session))
    today = day_of(now, the_plant(session).zone)
    if wish.pinned_on < today:
        raise TracelogError(_("is over; promise a day from %(today)s on", today=today), "pinned_on")
    before = _standing(session, machine, wish.service, now)
    if before is not None and before.pinned_on == wish.pinned_on:
        return UNCHANGED
    if (before.id if before else None) != seen:
        raise Conflict(_changed_meanwhile(machine, wish.service, before), "pinned_on")
    row = ServicePin(
        id=new_id(),
        machine_id=machine.id,
        service=wish.service,
        pinned_on=wish.pinned_on,
        pinned_at=now,
        pinned_by=actor.name,
        note=wish.note,
    )
    subject = Subject("service pins", f"{machine.text} {wish.service}")
    shown = _shown(before) if before else None
    row.audit_id = append(session, actor, now, "promise service", subject, shown, _shown(wish))
    if before is not None:
        _end(session, before.id, now, PinEnd.MOVED)
    session.add(row)
    session.flush()
    return CREATED if before is None else CHANGED


def unpin_service(session: Session, pin_id: uuid.UUID, actor: Actor, now: datetime) -> Outcome:
    """Take a promise back; it stays on record as what was promised until then.

    Args:
        session: an open session that writes.
        pin_id: which one.
        actor: who takes it back.
        now: UTC.

    Returns:
        `CHANGED`; `UNCHANGED` if it had ended before.

    Raises:
        NotFound: there is no such promise.
    """
    take_turn(session)
    row = session.get(ServicePin, pin_id, populate_existing=True)
    if row is None:
        raise NotFound(_("there is no promised service with the id %(id)s", id=pin_id), "id")
    if row.ended_at is not None:
        return UNCHANGED
    machine = directory(session).by_id[row.machine_id]
    subject = Subject("service pins", f"{machine.text} {row.service}")
    append(session, actor, now, "take service promise back", subject, _shown(row), None)
    _end(session, pin_id, now, PinEnd.UNPINNED)
    session.flush()
    return CHANGED


def _standing(session: Session, machine: MachineView, service: str, now: datetime) -> Pin | None:
    return next(
        (pin for pin in open_pins(session, now, machine.id) if pin.service == service), None
    )


def _end(session: Session, pin_id: uuid.UUID, now: datetime, because: PinEnd) -> None:
    row = session.get_one(ServicePin, pin_id)
    row.ended_at = max(now, row.pinned_at)
    row.ended_because = because.value


def _shown(pin: Pin | PinRequest | ServicePin) -> dict[str, Any]:
    return {"pinned_on": pin.pinned_on.isoformat(), "note": pin.note or ""}


def _changed_meanwhile(machine: MachineView, service: str, now_there: Pin | None) -> str:
    values = {"machine": machine.text, "service": service}
    if now_there is None:
        return _(
            "the promise of %(service)s on %(machine)s was kept or taken back meanwhile;"
            " look at the plan as it stands now",
            **values,
        )
    return _(
        "%(service)s on %(machine)s was promised for %(day)s meanwhile, by %(who)s;"
        " look at the plan as it stands now",
        day=write_value(now_there.pinned_on),
        who=now_there.pinned_by or _("somebody"),
        **values,
    )
