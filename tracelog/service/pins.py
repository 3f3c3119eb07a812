"""Reads of what is promised, and of how services are planned."""

import uuid
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracelog.plant.queries import MachineView, directory
from tracelog.service.models import PlanningSetting, ServicePin
from tracelog.service.planning_facts import Planning, read_planning
from tracelog.service.queries import levels, services_done
from tracelog.service.rules import contains


@dataclass(frozen=True)
class Pin:
    """A service of a machine that somebody promised on a day."""

    id: uuid.UUID
    machine: MachineView
    service: str
    pinned_on: date
    pinned_at: datetime
    pinned_by: str | None
    note: str | None


def planning(session: Session) -> Planning:
    """How the plant plans its services; defaults where it has not said. One statement."""
    rows = session.execute(select(PlanningSetting.setting, PlanningSetting.value))
    return read_planning((row.setting, row.value) for row in rows)


def open_pins(session: Session, as_of: datetime, machine_id: uuid.UUID | None = None) -> list[Pin]:
    """What is promised and not done yet, by day and machine.

    A promise is kept, and closed, by the first service of that level, or of one that contains
    it, that was done on the machine after the promise was made; whether it was done on the day
    does not matter. So it is the same in whatever order promise and service arrive.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        machine_id: only this machine.

    Returns:
        Open promises; at most one for a machine and service, the newest. A fixed number of
        statements.
    """
    asked = (
        select(ServicePin)
        .where(
            ServicePin.pinned_at <= as_of,
            or_(ServicePin.ended_at.is_(None), ServicePin.ended_at > as_of),
        )
        .order_by(ServicePin.pinned_at, ServicePin.id)
    )
    if machine_id is not None:
        asked = asked.where(ServicePin.machine_id == machine_id)
    rows = session.execute(asked).scalars().all()
    if not rows:
        return []
    plant = directory(session)
    by_service = {(one.station, one.service): one for one in levels(session)}
    done: dict[uuid.UUID, list[tuple[str, datetime]]] = {}
    for one in services_done(session, as_of, rows[0].pinned_at, machine_id, plant):
        done.setdefault(one.machine.id, []).append((one.service, one.done_at))
    newest: dict[tuple[uuid.UUID, str], Pin] = {}
    for row in rows:
        machine = plant.by_id[row.machine_id]
        level = by_service.get((machine.station, row.service))
        keeping = {
            upper.service
            for upper in by_service.values()
            if level is not None and contains(upper, level)
        } | {row.service}
        kept = any(
            service in keeping and done_at > row.pinned_at
            for service, done_at in done.get(machine.id, ())
        )
        if not kept:
            newest[machine.id, row.service] = Pin(
                *(row.id, machine, row.service, row.pinned_on),
                *(row.pinned_at, row.pinned_by, row.note),
            )
    return sorted(
        newest.values(),
        key=lambda pin: (pin.pinned_on, pin.machine.line, pin.machine.number, pin.service),
    )
