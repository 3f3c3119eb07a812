"""Which months of readings are due to go. Reads only."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracelog.keeping.retention.rules import file_of, goes_before, months_between
from tracelog.plant.queries import directory
from tracelog.strokes.models import Reading
from tracelog.strokes.partitions import following
from tracelog.strokes.queries import first_reading
from tracelog.strokes.retired import retired_until


@dataclass(frozen=True)
class DueMonth:
    """A month of UTC whose readings may go: its first instant and end, and how many there are."""

    month: datetime
    ends_at: datetime
    rows: int

    @property
    def file(self) -> str:
        """The name of its file."""
        return file_of(self.month)


def due_months(session: Session, now: datetime, keep: int) -> Iterator[DueMonth]:
    """The months that are old enough and were not retired yet, the oldest first.

    Args:
        session: an open session.
        now: UTC.
        keep: how many whole months before the present one stay.

    Yields:
        Those with readings; counted when they are asked for, one statement for each month.
    """
    first = first_reading(session)
    if first is None:
        return
    machines = [one.id for one in directory(session).bodymakers]
    start = max(first, retired_until(session))
    for month in months_between(start, goes_before(now, keep)):
        end = following(month)
        # The table is read by machine first, so the machines are named.
        asked = select(func.count()).where(
            Reading.machine_id.in_(machines), Reading.read_at >= month, Reading.read_at < end
        )
        if count := session.execute(asked).scalar_one():
            yield DueMonth(month, end, count)
