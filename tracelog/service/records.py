"""Reads of what is on record of services: the levels, and the services that were done."""

import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
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
class LastDone:
    """When a machine was last given a service."""

    machine: MachineView
    service: str
    done_at: datetime


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
    most: int | None = None,
) -> list[ServiceDone]:
    """Services on record up to an instant, newest first. One statement beside the directory.

    Args:
        session: an open session.
        until: UTC.
        since: only from then on; None: however long ago.
        machine_id: only of this machine.
        plant: the directory, where it was read.
        most: the newest so many; None: all.
    """
    plant = plant or directory(session)
    wanted = select(Service).where(Service.done_at <= until).order_by(Service.done_at.desc())
    wanted = wanted.limit(most)
    if since is not None:
        wanted = wanted.where(Service.done_at >= since)
    if machine_id is not None:
        wanted = wanted.where(Service.machine_id == machine_id)
    return [
        ServiceDone(plant.by_id[row.machine_id], row.service, row.done_at, row.unplanned, row.note)
        for row in session.execute(wanted).scalars()
    ]


def last_services(
    session: Session, until: datetime, machine_id: uuid.UUID | None = None
) -> list[LastDone]:
    """When each service was last done on each machine, up to an instant.

    One statement beside the directory. It gives as many rows as machines have kinds of service,
    however long the record is.
    """
    by_id = directory(session).by_id
    asked = (
        select(Service.machine_id, Service.service, func.max(Service.done_at))
        .where(Service.done_at <= until)
        .group_by(Service.machine_id, Service.service)
        .order_by(Service.machine_id, Service.service)
    )
    if machine_id is not None:
        asked = asked.where(Service.machine_id == machine_id)
    return [LastDone(by_id[own], service, at) for own, service, at in session.execute(asked)]


def since_services(
    session: Session,
    as_of: datetime,
    all_levels: Collection[Level],
    done: Collection[ServiceDone | LastDone],
    machine_id: uuid.UUID | None = None,
    known_at: datetime | None = None,
) -> list[SinceService]:
    """Strokes of every machine since every level of its station.

    Args:
        session: an open session.
        as_of: UTC; strokes up to then.
        all_levels: from `levels`.
        done: the services done up to then, in any order; the last of each kind is enough.
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
