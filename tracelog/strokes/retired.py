"""Reads of what is left of readings that were retired: up to when, and where counts go on.

For each machine with retired readings the hours up to some hour are facts, which nothing changes
any more. A count begins there: with the strokes before that hour, and with the last readings before
it, which stay. So a recount never needs what was retired.
"""

import hashlib
import uuid
from collections.abc import Collection
from datetime import datetime

import numpy as np
from sqlalchemy import func, literal, select
from sqlalchemy.orm import Session

from tracelog.db import UtcInstant
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.strokes.bounds import EARLIEST
from tracelog.strokes.hours import microseconds
from tracelog.strokes.models import CarriedCounter, RetiredMonth, StrokeHour

# As a value in statements: nothing that lies before can be changed any more.
RETIRED_UNTIL = func.coalesce(
    select(func.max(RetiredMonth.ends_at)).scalar_subquery(), literal(EARLIEST, UtcInstant())
)


def retired_until(session: Session) -> datetime:
    """The instant (UTC) before which readings are retired; long ago if none are. One statement."""
    found: datetime | None = session.execute(select(func.max(RetiredMonth.ends_at))).scalar()
    return EARLIEST if found is None else found


def is_retired() -> str:
    """The sentence for a fact that comes too late to change anything."""
    return _(
        "lies in a month whose readings were exported and taken out by 'tracelog retention'; its"
        " strokes stay as they were counted, and nothing about its counters can be added"
    )


def carried_counters(
    session: Session, machine_ids: Collection[uuid.UUID] | None = None
) -> dict[uuid.UUID, CarriedCounter]:
    """What counts go on from, of machines whose earlier readings were retired. One statement.

    Args:
        session: an open session.
        machine_ids: which machines; None: all.
    """
    asked = select(CarriedCounter)
    if machine_ids is not None:
        asked = asked.where(CarriedCounter.machine_id.in_(list(machine_ids)))
    return {one.machine_id: one for one in session.execute(asked).scalars()}


def digest_of_hours(session: Session, machine_id: uuid.UUID, until: datetime) -> tuple[int, str]:
    """How many hours a machine has before an instant, and the SHA-256 of what they say.

    Of each hour, in order: start in microseconds since 1970, strokes, strokes before it, each as a
    whole number of eight bytes, the highest first. One statement.
    """
    hour = StrokeHour
    asked = select(hour.hour_at, hour.strokes, hour.total_before).where(
        hour.machine_id == machine_id, hour.hour_at < until
    )
    rows = session.execute(asked.order_by(hour.hour_at)).all()
    values = [(microseconds(at), strokes, before) for at, strokes, before in rows]
    return len(rows), hashlib.sha256(np.array(values, dtype=">i8").tobytes()).hexdigest()


def broken_hours(session: Session) -> list[str]:
    """Machines whose hours of retired months are not those that were carried over."""
    carried = carried_counters(session)
    names = directory(session).by_id if carried else {}
    return [
        _(
            "stroke_hours: hours of %(machine)s before %(at)s are not those that were there when"
            " their readings were retired",
            machine=names[machine].text if machine in names else machine,
            at=write_instant(one.hour_at),
        )
        for machine, one in carried.items()
        if digest_of_hours(session, machine, one.hour_at) != (one.hours, one.hours_sha256)
    ]
