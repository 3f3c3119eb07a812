"""When strokes will be made: every machine's outlook, from its own past, as of an instant."""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy.orm import Session

from tracelog.db import read_once
from tracelog.instants import day_of
from tracelog.plant.queries import BODYMAKER
from tracelog.service.habits import Stands
from tracelog.service.outlook import Outlook
from tracelog.service.past import Known, future_of, known_past
from tracelog.service.prospects import Prospect, prospects_of
from tracelog.service.records import SinceService, levels, services_done, since_services
from tracelog.service.rules import Level
from tracelog.service.running import Running, running_of

# Further than most services lie ahead; what lies beyond goes on at the same rate.
AHEAD_DAYS = 400


@dataclass(frozen=True)
class Basis:
    """What every forecast as of an instant rests on."""

    known: Known
    running: Running
    levels: tuple[Level, ...]
    since: tuple[SinceService, ...]


@dataclass(frozen=True)
class Forecast:
    """What lies ahead of all machines as of an instant.

    `prospects` are those of machines that have readings, by machine; `since` where every machine
    stands on every level.
    """

    today: date
    levels: tuple[Level, ...]
    since: tuple[SinceService, ...]
    prospects: Mapping[uuid.UUID, Prospect]


def forecast_of(session: Session, as_of: datetime) -> Forecast:
    """The forecast for all machines; only what was known at `as_of` (UTC).

    Always for all: machines of a plant tell of each other how they move. Read once in a
    snapshot. A fixed number of statements.
    """
    return read_once(session, f"forecast at {as_of.isoformat()}", lambda: _forecast(session, as_of))


def _forecast(session: Session, as_of: datetime) -> Forecast:
    basis = _basis(session, as_of)
    return Forecast(
        day_of(as_of, basis.known.plant.zone),
        basis.levels,
        basis.since,
        _prospects(basis, AHEAD_DAYS),
    )


def outlooks(
    session: Session,
    as_of: datetime,
    horizon_days: int,
    machine_id: uuid.UUID | None = None,
) -> dict[uuid.UUID, Outlook]:
    """What every machine that ran lately is expected to make from `as_of` on.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        horizon_days: how many days, the day of `as_of` among them.
        machine_id: only this machine.

    Returns:
        By machine; those that made nothing in the last quarter of a year are left out. A fixed
        number of statements.
    """
    found = _prospects(_basis(session, as_of), horizon_days)
    return {
        machine: prospect.outlook
        for machine, prospect in found.items()
        if prospect.outlook is not None and machine_id in (None, machine)
    }


def _basis(session: Session, as_of: datetime) -> Basis:
    name = f"basis of forecasts at {as_of.isoformat()}"
    return read_once(session, name, lambda: _read_basis(session, as_of))


def _read_basis(session: Session, as_of: datetime) -> Basis:
    all_levels = levels(session)
    done = services_done(session, as_of)
    since = since_services(session, as_of, all_levels, done)
    known = known_past(session, as_of, done, all_levels)
    return Basis(known, running_of(known.past), tuple(all_levels), tuple(since))


def _prospects(basis: Basis, days: int) -> dict[uuid.UUID, Prospect]:
    known = basis.known
    stands: dict[uuid.UUID, list[Stands]] = {}
    for one in basis.since:
        own = Stands(one.level, float(one.strokes), one.done_at is not None)
        stands.setdefault(one.machine.id, []).append(own)
    own_levels = [level for level in basis.levels if level.station == BODYMAKER]
    by_row = [stands.get(machine.id, []) for machine in known.machines]
    future = future_of(known, days)
    found = prospects_of(known.past, future, own_levels, by_row, basis.running)
    return {machine.id: one for machine, one in zip(known.machines, found, strict=True)}
