"""Reads of service: where every machine stands, and when each level falls due."""

import uuid
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.db import read_once
from tracelog.instants import EARLIEST
from tracelog.plant.queries import Directory, MachineView, directory, the_plant
from tracelog.service.models import Service, ServiceLevel
from tracelog.service.rules import (
    DailyUse,
    Done,
    Due,
    Level,
    daily_use,
    is_overdue,
    last_done,
    share_used,
    when_due,
)
from tracelog.strokes.queries import BucketStrokes, Span, strokes_between, strokes_by_bucket

RECENT_DAYS = 28


@dataclass(frozen=True)
class ServiceStanding:
    """One machine and one level of service.

    `strokes_since` counts from the last service of the level or of a higher one; where none is
    on record (`done_at` None) from the first reading.
    """

    machine: MachineView
    level: Level
    done_at: datetime | None
    strokes_since: int
    use: DailyUse
    due: Due
    today: date

    @property
    def share(self) -> float | None:
        """Share of the interval used up, by strokes."""
        return share_used(self.strokes_since, self.level.interval_strokes)

    @property
    def is_overdue(self) -> bool:
        """Whether it should have been done by now."""
        return is_overdue(self.share, self.due, self.today)


@dataclass(frozen=True)
class ServiceDone:
    """One service on record."""

    machine: MachineView
    service: str
    done_at: datetime
    unplanned: bool
    note: str | None


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


def uses(
    session: Session, machine_id: uuid.UUID | None, as_of: datetime, zone: ZoneInfo
) -> dict[uuid.UUID, DailyUse]:
    """Recent daily use of one machine or all, from the last 28 whole days before `as_of`.

    Only readings up to `as_of` count. Read once in a snapshot: services and tools both ask.
    """
    name = f"uses of {machine_id} at {as_of.isoformat()}"
    return read_once(session, name, lambda: _uses(session, machine_id, as_of, zone))


def _uses(
    session: Session, machine_id: uuid.UUID | None, as_of: datetime, zone: ZoneInfo
) -> dict[uuid.UUID, DailyUse]:
    machine_ids = None if machine_id is None else [machine_id]
    end = as_of.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    start = end - timedelta(days=RECENT_DAYS)
    by_machine: dict[uuid.UUID, list[BucketStrokes]] = {}
    for row in strokes_by_bucket(session, machine_ids, start, end, Bucket.DAY, as_of=as_of):
        by_machine.setdefault(row.machine_id, []).append(row)
    last_day = end - timedelta(days=1)
    return {
        machine: daily_use([row.strokes for row in _whole_days(rows, start, last_day)])
        for machine, rows in by_machine.items()
    }


def _whole_days(
    rows: list[BucketStrokes], first_day: datetime, last_day: datetime
) -> list[BucketStrokes]:
    """Days that readings cover from end to end, as far as there are any.

    Days without a reading at either side are no idle days and have no row, days in between are
    rows of 0; the day on which readings begin, or end, is only known in part.
    """
    begins = 1 if rows[0].bucket_start > first_day else 0
    ends = len(rows) - (1 if rows[-1].bucket_start < last_day else 0)
    return rows[begins:ends] or rows


def service_standings(
    session: Session,
    as_of: datetime,
    machine_id: uuid.UUID | None = None,
    known_at: datetime | None = None,
) -> list[ServiceStanding]:
    """Where every machine stands on every level of its station, most used up first.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        machine_id: only this machine.
        known_at: count with readings up to then, for looking back from later; None: `as_of`.

    Returns:
        One standing for each machine and level; a fixed number of statements.
    """
    zone = the_plant(session).zone
    plant = directory(session)
    all_levels = levels(session)
    done: dict[uuid.UUID, list[Done]] = {}
    for one in services_done(session, as_of, machine_id=machine_id, plant=plant):
        done.setdefault(one.machine.id, []).append(Done(one.service, one.done_at))
    asked = [
        (machine, level, last_done(level, station_levels, done.get(machine.id, ())))
        for machine in plant.machines.values()
        if machine_id in (None, machine.id)
        for station_levels in [[one for one in all_levels if one.station == machine.station]]
        for level in station_levels
    ]
    spans = [Span(machine.id, done_at or EARLIEST, as_of) for machine, _level, done_at in asked]
    strokes = strokes_between(session, spans, known_at or as_of)
    use = uses(session, machine_id, as_of, zone)
    local = as_of.astimezone(zone)
    standings = [
        ServiceStanding(
            machine,
            level,
            done_at,
            since,
            use.get(machine.id, DailyUse(0, 0, 0)),
            when_due(level, since, done_at, use.get(machine.id, DailyUse(0, 0, 0)), local),
            local.date(),
        )
        for (machine, level, done_at), since in zip(asked, strokes, strict=True)
    ]
    return sorted(
        standings,
        key=lambda one: (
            *(-(one.share or 0.0), one.machine.line, one.machine.station),
            *(one.machine.number, one.level.service),
        ),
    )
