"""Reads of what is on record of services: the levels, and the services that were done."""

import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.instants import EARLIEST
from tracelog.plant.queries import Directory, MachineView, directory
from tracelog.service.models import Service, ServiceLevel
from tracelog.service.rules import Done, Level, last_done
from tracelog.strokes.queries import Span, strokes_between


@dataclass(frozen=True)
class ServiceDone:
    """One service on record."""

    machine: MachineView
    service: str
    done_at: datetime
    unplanned: bool
    note: str | None


@dataclass(frozen=True)
class SinceService:
    """Strokes of a machine since a level was last done; `done_at` None: not on record."""

    machine: MachineView
    level: Level
    done_at: datetime | None
    strokes: int


def levels(session: Session) -> list[Level]:
    """All levels, by station and length of interval. One statement."""
    rows = session.execute(
        select(ServiceLevel).order_by(
            ServiceLevel.station, ServiceLevel.interval_strokes, ServiceLevel.interval_days
        )
    ).scalars()
    return [
        Level(
            row.station,
            row.service,
            row.interval_strokes,
            row.interval_days,
            row.hours,
            row.people,
        )
        for row in rows
    ]


def services_done(
    session: Session,
    until: datetime,
    since: datetime | None = None,
    machine_id: uuid.UUID | None = None,
    plant: Directory | None = None,
) -> list[ServiceDone]:
    """Services on record up to an instant, newest first. One statement beside the directory."""
    plant = plant or directory(session)
    wanted = select(Service).where(Service.done_at <= until).order_by(Service.done_at.desc())
    if since is not None:
        wanted = wanted.where(Service.done_at >= since)
    if machine_id is not None:
        wanted = wanted.where(Service.machine_id == machine_id)
    return [
        ServiceDone(plant.by_id[row.machine_id], row.service, row.done_at, row.unplanned, row.note)
        for row in session.execute(wanted).scalars()
    ]


def since_services(
    session: Session,
    as_of: datetime,
    all_levels: Collection[Level],
    done: Collection[ServiceDone],
    machine_id: uuid.UUID | None = None,
    known_at: datetime | None = None,
) -> list[SinceService]:
    """Strokes of every machine since every level of its station.

    Args:
        session: an open session.
        as_of: UTC; strokes up to then.
        all_levels: from `levels`.
        done: the services done up to then, in any order.
        machine_id: only this machine.
        known_at: count with readings up to then; None: `as_of`.

    Returns:
        By machine, in the order of the levels. Where no service of a level is on record, strokes
        count from the first reading. A fixed number of statements.
    """
    by_machine: dict[uuid.UUID, list[Done]] = {}
    for one in done:
        by_machine.setdefault(one.machine.id, []).append(Done(one.service, one.done_at))
    asked = [
        (machine, level, last_done(level, station, by_machine.get(machine.id, ())))
        for machine in directory(session).machines.values()
        if machine_id in (None, machine.id)
        for station in [[one for one in all_levels if one.station == machine.station]]
        for level in station
    ]
    spans = [Span(machine.id, done_at or EARLIEST, as_of) for machine, _level, done_at in asked]
    strokes = strokes_between(session, spans, known_at or as_of)
    return [SinceService(*one, made) for one, made in zip(asked, strokes, strict=True)]
