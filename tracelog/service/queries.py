"""Reads of service: where every machine stands, and when each level falls due."""

import uuid
from dataclasses import dataclass
from datetime import UTC, date, datetime

from sqlalchemy.orm import Session

from tracelog.plant.queries import MachineView, the_plant
from tracelog.service.forecasts import forecast_of
from tracelog.service.records import (
    ServiceDone,
    SinceService,
    last_services,
    levels,
    services_done,
    since_services,
)
from tracelog.service.rules import (
    DailyUse,
    Due,
    Expected,
    Level,
    is_overdue,
    share_used,
    when_due,
)

__all__ = [
    "ServiceDone",
    "ServiceStanding",
    "levels",
    "service_standings",
    "services_done",
]
_NO_USE = DailyUse(0, 0, 0)


@dataclass(frozen=True)
class ServiceStanding:
    """One machine and one level of service.

    `strokes_since` counts from the last service of the level or of a higher one; where none is
    on record (`done_at` None) from the first reading. `idle_since`: since when the machine has
    stood for a day or longer though nothing was planned; None: it runs.
    """

    machine: MachineView
    level: Level
    done_at: datetime | None
    strokes_since: int
    use: DailyUse
    due: Due
    today: date
    idle_since: datetime | None = None

    @property
    def share(self) -> float | None:
        """Share of the interval used up, by strokes."""
        return share_used(self.strokes_since, self.level.interval_strokes)

    @property
    def share_of_days(self) -> float | None:
        """Share of the interval used up, by days; None without such an interval or service."""
        if self.done_at is None or not self.level.interval_days or self.due.by != "days":
            return None
        left = 0 if self.due.due is None else (self.due.due - self.today).days
        return 1 - left / self.level.interval_days

    @property
    def is_overdue(self) -> bool:
        """Whether it should have been done by now."""
        return is_overdue(self.share, self.due, self.today)


def service_standings(
    session: Session,
    as_of: datetime,
    machine_id: uuid.UUID | None = None,
    known_at: datetime | None = None,
    *,
    ahead: bool = True,
) -> list[ServiceStanding]:
    """Where every machine stands on every level of its station, most used up first.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        machine_id: only this machine.
        known_at: count with readings up to then, for looking back from later; None: `as_of`.
        ahead: whether due dates by strokes are wanted; without them, and with `known_at`, only
            days are, and nothing is forecast.

    Returns:
        One standing for each machine and level; a fixed number of statements.
    """
    local = as_of.astimezone(the_plant(session).zone)
    if ahead and known_at is None:
        found = _forecast_standings(session, as_of, local, machine_id)
    else:
        all_levels = levels(session)
        done = last_services(session, as_of, machine_id)
        since = since_services(session, as_of, all_levels, done, machine_id, known_at)
        found = [_standing(one, None, local, _NO_USE, None) for one in since]
    return sorted(
        found,
        key=lambda one: (
            *(-(one.share or 0.0), one.machine.line, one.machine.station),
            *(one.machine.number, one.level.service),
        ),
    )


def _forecast_standings(
    session: Session, as_of: datetime, local: datetime, machine_id: uuid.UUID | None
) -> list[ServiceStanding]:
    forecast = forecast_of(session, as_of)
    by_machine: dict[uuid.UUID, list[SinceService]] = {}
    for one in forecast.since:
        if machine_id in (None, one.machine.id):
            by_machine.setdefault(one.machine.id, []).append(one)
    found = []
    for machine, own in by_machine.items():
        prospect = forecast.prospects.get(machine)
        left = [float((one.level.interval_strokes or 0) - one.strokes) for one in own]
        use = prospect.use if prospect else _NO_USE
        second = prospect.idle_since if prospect else None
        idle_since = None if second is None else datetime.fromtimestamp(second, UTC)
        found += [
            _standing(one, when, local, use, idle_since)
            for one, when in zip(own, forecast.when(machine, left), strict=True)
        ]
    return found


def _standing(
    one: SinceService,
    expected: Expected | None,
    local: datetime,
    use: DailyUse,
    idle_since: datetime | None,
) -> ServiceStanding:
    due = when_due(one.level, expected, one.done_at, local)
    return ServiceStanding(
        *(one.machine, one.level, one.done_at, one.strokes, use, due, local.date(), idle_since)
    )
