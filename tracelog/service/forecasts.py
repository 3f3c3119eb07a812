"""When strokes will be made: every machine's outlook, from its own past, as of an instant."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.db import read_once
from tracelog.plant.queries import BODYMAKER
from tracelog.service.habits import Stands
from tracelog.service.outlook import Outlook
from tracelog.service.past import future_of, known_past
from tracelog.service.prospects import (
    RECENT_DAYS,
    Prospect,
    daily_strokes,
    prospects_of,
    recent_use,
)
from tracelog.service.records import SinceService, levels, services_done, since_services
from tracelog.service.rules import DailyUse, Expected

# Further than most services lie ahead; what lies beyond goes on at the same rate.
AHEAD_DAYS = 400


@dataclass(frozen=True)
class Forecast:
    """What lies ahead of all machines as of an instant.

    `prospects` are those of machines that have readings, by machine; `since` where every machine
    stands on every level.
    """

    since: tuple[SinceService, ...]
    prospects: Mapping[uuid.UUID, Prospect]

    def when(self, machine_id: uuid.UUID, left: Sequence[float]) -> Sequence[Expected | None]:
        """When a machine will have made so many more strokes; None: nobody can tell."""
        prospect = self.prospects.get(machine_id)
        return prospect.when(left) if prospect else [None] * len(left)


def forecast_of(session: Session, as_of: datetime) -> Forecast:
    """The forecast for all machines; only what was known at `as_of` (UTC).

    Always for all: machines of a plant tell of each other how they move. Read once in a
    snapshot. A fixed number of statements.
    """
    return read_once(session, f"forecast at {as_of.isoformat()}", lambda: _forecast(session, as_of))


def _forecast(session: Session, as_of: datetime) -> Forecast:
    all_levels = levels(session)
    done = services_done(session, as_of)
    since = since_services(session, as_of, all_levels, done)
    known = known_past(session, as_of, done, all_levels)
    stands: dict[uuid.UUID, list[Stands]] = {}
    for one in since:
        own = Stands(one.level, float(one.strokes), one.done_at is not None)
        stands.setdefault(one.machine.id, []).append(own)
    own_levels = [level for level in all_levels if level.station == BODYMAKER]
    by_row = [stands.get(machine.id, []) for machine in known.machines]
    found = prospects_of(known.past, future_of(known, AHEAD_DAYS), own_levels, by_row)
    ids = (machine.id for machine in known.machines)
    return Forecast(tuple(since), dict(zip(ids, found, strict=True)))


def outlooks(session: Session, as_of: datetime, horizon_days: int) -> dict[uuid.UUID, Outlook]:
    """What every machine that ran lately is expected to make from `as_of` on.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        horizon_days: how many days, the day of `as_of` among them; `AHEAD_DAYS` at most.

    Returns:
        By machine; those that made nothing in the last quarter of a year are left out. The
        forecast's own, so that asking for both costs no more than one.
    """
    return {
        machine: prospect.outlook.first(horizon_days)
        for machine, prospect in forecast_of(session, as_of).prospects.items()
        if prospect.outlook is not None
    }


def uses(session: Session, as_of: datetime) -> dict[uuid.UUID, DailyUse]:
    """Recent daily use of every machine with readings, from the last 28 whole days before `as_of`.

    Only what was known at `as_of` (UTC) counts. Reads those days alone and forecasts nothing.
    """
    known = known_past(session, as_of, (), (), past_days=RECENT_DAYS)
    ids = (machine.id for machine in known.machines)
    return dict(zip(ids, recent_use(known.past, daily_strokes(known.past)), strict=True))
