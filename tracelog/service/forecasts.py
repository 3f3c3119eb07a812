"""What each machine is expected to make from an instant on, from its own use lately."""

import uuid
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.instants import day_of, start_of_day
from tracelog.plant.queries import the_plant
from tracelog.service.outlook import FloatArray, Outlook, Spread, outlook_of
from tracelog.strokes.queries import strokes_by_bucket

# A quarter of a year: long enough for days of the week, short enough to be of today.
PAST_DAYS = 91


def outlooks(
    session: Session,
    as_of: datetime,
    horizon_days: int,
    machine_id: uuid.UUID | None = None,
) -> dict[uuid.UUID, Outlook]:
    """What every machine with readings is expected to make from `as_of` on.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        horizon_days: how many days, the day of `as_of` among them.
        machine_id: only this machine.

    Returns:
        By machine; machines that were not read in the last quarter of a year are left out.
        A fixed number of statements.
    """
    zone = the_plant(session).zone
    today = day_of(as_of, zone)
    days = [today + timedelta(days=number) for number in range(horizon_days)]
    hours = _hours(days, as_of, zone)
    start, end = start_of_day(today - timedelta(days=PAST_DAYS), zone), start_of_day(today, zone)
    chosen = None if machine_id is None else [machine_id]
    made: dict[uuid.UUID, list[int]] = {}
    for row in strokes_by_bucket(session, chosen, start, end, Bucket.DAY, as_of=as_of):
        made.setdefault(row.machine_id, []).append(row.strokes)
    return {machine: _outlook(days, hours, strokes) for machine, strokes in made.items()}


def _outlook(days: Sequence[date], hours: FloatArray, strokes: Sequence[int]) -> Outlook:
    mean = float(np.mean(strokes))
    noise = float(np.var(strokes)) / mean**2 if mean > 0 else 1.0
    spread = Spread(noise / len(strokes), 0.0, 0.0, 0.0, noise)
    return outlook_of(days, hours, hours / 24 * mean, 1.0, 0.0, spread)


def _hours(days: Sequence[date], as_of: datetime, zone: ZoneInfo) -> FloatArray:
    edges = [as_of, *(start_of_day(day + timedelta(days=1), zone) for day in days)]
    return np.diff([edge.timestamp() for edge in edges]) / 3600
