"""Where a machine's first and last readings lie: conditions that keep a look-up to few months.

PostgreSQL has a part of the readings for each month, and without a bound a machine's last reading
is looked for in every one of them. The hours know better: they run from the first reading that
counts to the last, and readings that do not count lie before, between or after those.
"""

import uuid
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import func, literal, select
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.db import UtcInstant
from tracelog.plant.models import Machine
from tracelog.strokes.models import Reading, StrokeHour

EARLIEST = datetime(1, 1, 2, tzinfo=UTC)
LATEST = datetime(9999, 12, 30, tzinfo=UTC)
# The reading before an instant is looked for in so long a time first, which touches three months
# at most; only where there is none in all that went before.
NEAR = timedelta(days=45)
_MACHINES_AT_ONCE = 5_000


def near_before(moment: datetime) -> datetime:
    """The earliest instant that is near before another."""
    return moment - NEAR if moment > EARLIEST + NEAR else EARLIEST


def at_the_end(machine: Any) -> Any:
    """Holds for a machine's last readings, as a condition on `Reading`.

    Args:
        machine: a column that the statement around has, or a value.
    """
    last = select(func.max(StrokeHour.hour_at)).where(StrokeHour.machine_id == machine)
    return Reading.read_at >= _or(last, machine, EARLIEST)


def at_the_start(machine: Any) -> Any:
    """Holds for a machine's first readings, as a condition on `Reading`; args as `at_the_end`."""
    second = (
        select(StrokeHour.hour_at)
        .where(StrokeHour.machine_id == machine)
        .order_by(StrokeHour.hour_at)
        .limit(1)
        .offset(1)
    )
    return Reading.read_at < _or(second, machine, LATEST)


def _or(asked: Any, machine: Any, otherwise: datetime) -> Any:
    found = asked.correlate(machine.class_) if hasattr(machine, "class_") else asked
    return func.coalesce(found.scalar_subquery(), literal(otherwise, UtcInstant()))


def reading_ends(
    session: Session, machine_ids: Iterable[uuid.UUID]
) -> dict[uuid.UUID, tuple[datetime, datetime]]:
    """First and last reading on record of each machine that has any, misread or not.

    The first is an instant before it where earlier ones were retired. One statement (for every
    five thousand machines).
    """
    found: dict[uuid.UUID, tuple[datetime, datetime]] = {}
    for piece in pieces(dict.fromkeys(machine_ids), _MACHINES_AT_ONCE):
        rows = session.execute(_ends().where(Machine.id.in_(piece)))
        found |= {one: (first or EARLIEST, last) for one, first, last in rows if last}
    return found


def _ends() -> Any:
    def of_readings(what: Any, where: Any) -> Any:
        asked = select(what).where(Reading.machine_id == Machine.id, where)
        return asked.correlate(Machine).scalar_subquery()

    first = of_readings(func.min(Reading.read_at), at_the_start(Machine.id))
    last = of_readings(func.max(Reading.read_at), at_the_end(Machine.id))
    return select(Machine.id, first, last)
