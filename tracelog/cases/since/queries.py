"""Reads of what happened since a fix, by hours, days or weeks."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import accumulate

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, periods
from tracelog.cases.queries import CaseView, known_span
from tracelog.cases.rules import Side
from tracelog.cases.since.rules import Point, course
from tracelog.defects.counts import production_counts
from tracelog.defects.queries import EntryFilter
from tracelog.plant.queries import the_plant
from tracelog.strokes.queries import Span, strokes_between

# Up to so long by hours, and so long by days; beyond that by weeks.
_HOURS, _DAYS = timedelta(days=3), timedelta(days=120)


@dataclass(frozen=True)
class Course:
    """How it went since a fix: points, each at the instant (UTC) up to which it counts."""

    moments: tuple[datetime, ...]
    points: tuple[Point, ...]


def course_of(session: Session, about: CaseView, before: Side, now: datetime) -> Course:
    """How it went since the last action on a case. A fixed number of statements.

    Args:
        session: an open session.
        about: the case.
        before: what was seen before the action.
        now: UTC.
    """
    if about.acted_at is None:
        return Course((), ())
    start, end = known_span(session, about, about.acted_at, now, now)
    if start >= end:
        return Course((), ())
    length = end - start
    bucket = Bucket.HOUR if length <= _HOURS else Bucket.DAY if length <= _DAYS else Bucket.WEEK
    plant = the_plant(session)
    pieces = periods(bucket, start, end, plant.zone, plant.rota)
    asked = EntryFilter(
        start=start, end=end, machine_ids=about.machine_ids, defects=(about.defect,), as_of=now
    )
    found = {
        row.bucket_start: row.counted_occurrences
        for row in production_counts(session, asked, by=("bucket",), bucket=bucket)
    }
    spans = [
        Span(machine, max(piece.start, start), min(piece.end, end))
        for piece in pieces
        for machine in about.machine_ids
    ]
    made = strokes_between(session, spans, now)
    each = len(about.machine_ids)
    strokes = [sum(made[place : place + each]) for place in range(0, len(made), each)]
    return Course(
        tuple(min(piece.end, end) for piece in pieces),
        tuple(
            course(
                before,
                list(accumulate(strokes)),
                list(accumulate(found.get(piece.start, 0) for piece in pieces)),
            )
        ),
    )
