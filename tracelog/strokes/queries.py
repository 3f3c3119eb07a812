"""Reads of strokes: between instants, per hour, shift, day and longer, and the counters' state.

`as_of` everywhere: only readings and events up to that instant count, and what was settled by
then, as if nothing had come later; None: all that is known. A reading that somebody found misread
counts nowhere. Each query takes a fixed number of statements, whatever it is
asked for (beyond some thousands of spans or edges one more for every few thousand).
"""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, periods
from tracelog.plant.models import Machine
from tracelog.plant.queries import the_plant
from tracelog.plant.rules import ShiftRota
from tracelog.strokes.at_edges import totals_at_edges
from tracelog.strokes.bounds import at_the_end, at_the_start, near_before
from tracelog.strokes.hours import MICROSECOND, microseconds
from tracelog.strokes.models import CarriedCounter, CounterQuestion, Reading
from tracelog.strokes.reaches import before, count_then, reaches, settled_later
from tracelog.strokes.standing import is_counted
from tracelog.strokes.totals import microseconds_between, totals_at

_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Span:
    """A stretch of a machine's time; `end` None: still going on."""

    machine_id: uuid.UUID
    start: datetime
    end: datetime | None = None


@dataclass(frozen=True)
class BucketStrokes:
    """Strokes of a machine in one hour, shift, day, week, month or quarter.

    `bucket_start` is where the hour, shift, … begins, UTC, also where only a part of it was
    asked for or is known.
    """

    machine_id: uuid.UUID
    bucket_start: datetime
    strokes: int


@dataclass(frozen=True)
class LastReading:
    """The latest figure on a machine's counter."""

    machine_id: uuid.UUID
    read_at: datetime
    strokes: int


@dataclass(frozen=True)
class OpenQuestion:
    """A jump of a counter that the facts do not explain; its strokes are not counted.

    It ends with a reading and begins with the reading, or the counter event, before it. It goes
    away by itself once a counter event in between, or the counter's last figure, explains it.
    """

    machine_id: uuid.UUID
    from_at: datetime
    to_at: datetime
    from_strokes: int
    to_strokes: int


@dataclass(frozen=True)
class MachineSpan:
    """First and last reading of a machine, and the strokes counted between them."""

    machine_id: uuid.UUID
    first_at: datetime
    last_at: datetime
    strokes: int


def strokes_between(
    session: Session, spans: Sequence[Span], as_of: datetime | None = None
) -> list[int]:
    """Counted strokes in each span, in order.

    Args:
        session: an open session.
        spans: any number, in any order; what lies outside a machine's readings adds nothing.
        as_of: only readings up to then.

    Returns:
        Strokes; parts of an hour in proportion. Adjoining spans add up exactly.
    """
    if not spans:
        return []
    zone = the_plant(session).zone
    asked: dict[uuid.UUID, set[datetime]] = {}
    for span in spans:
        moments = asked.setdefault(span.machine_id, set())
        moments.add(span.start)
        if span.end is not None:
            moments.add(span.end)
    totals = totals_at(session, zone, reaches(session, zone, asked.keys(), as_of), asked)
    return [
        max(0, totals.at(span.machine_id, span.end) - totals.at(span.machine_id, span.start))
        for span in spans
    ]


def total_at(
    session: Session,
    machine_ids: Collection[uuid.UUID],
    instant: datetime,
    as_of: datetime | None = None,
) -> dict[uuid.UUID, int]:
    """Counted strokes from each machine's first reading to `instant`; 0 without readings."""
    zone = the_plant(session).zone
    reached = reaches(session, zone, machine_ids, as_of)
    totals = totals_at(session, zone, reached, {machine: [instant] for machine in machine_ids})
    return {machine: totals.at(machine, instant) for machine in machine_ids}


def strokes_by_machine(
    session: Session, start: datetime, end: datetime, as_of: datetime | None = None
) -> dict[uuid.UUID, int]:
    """Strokes of every machine that has readings, in [start, end)."""
    zone = the_plant(session).zone
    reached = reaches(session, zone, None, as_of)
    totals = totals_at(session, zone, reached, {machine: [start, end] for machine in reached})
    return {
        machine: max(0, totals.at(machine, end) - totals.at(machine, start)) for machine in reached
    }


def strokes_by_bucket(
    session: Session,
    machine_ids: Collection[uuid.UUID] | None,
    start: datetime,
    end: datetime,
    bucket: Bucket,
    *,
    rota: ShiftRota | None = None,
    as_of: datetime | None = None,
) -> list[BucketStrokes]:
    """Strokes per machine and bucket of the plant's clock, in [start, end).

    Args:
        session: an open session.
        machine_ids: which machines; None: all.
        start, end: instants; a bucket that they cut counts with the part inside.
        bucket: days, weeks (from Monday), months and quarters begin at midnight of the plant's
            clock, whatever their length in hours; shifts as the plant has them.
        rota: the plant's zone and shifts if the caller has them at hand.
        as_of: only readings up to then.

    Returns:
        One for each machine and bucket that overlaps the time between the machine's first and
        last reading, also where it made no stroke; by machine, then time.

    Raises:
        TracelogError: shifts are asked for, and the plant has none.
    """
    rota = rota or the_plant(session).rota
    found_periods = periods(bucket, start, end, rota.zone, rota)
    edges = [one.start for one in found_periods] + [one.end for one in found_periods[-1:]]
    reached = reaches(session, rota.zone, machine_ids, as_of)
    cuts = [min(max(edge, start), end) for edge in edges]
    totals = totals_at_edges(session, rota.zone, reached, cuts)
    moments = np.array([microseconds(cut) for cut in cuts], dtype=np.int64)
    found = []
    for machine, reach in reached.items():
        first, last = microseconds(reach.first_at), microseconds(reach.last_at)
        known = (moments[:-1] <= last) & (first < moments[1:])
        strokes = np.diff(totals[machine]).tolist()
        found += [
            BucketStrokes(machine, edges[place], strokes[place])
            for place in np.flatnonzero(known).tolist()
        ]
    return found


def recent_rate(
    session: Session,
    asked: Sequence[tuple[uuid.UUID, datetime]],
    days: int = 28,
    as_of: datetime | None = None,
) -> list[float | None]:
    """Mean strokes per day of machines over the last `days` before an instant.

    The time counted runs from the first reading in the period to the last, so that a counter
    that nobody reads any more does not pass for a machine that stands.

    Args:
        session: an open session.
        asked: machines, each with the instant that ends the period.
        days: how long the period is.
        as_of: only what was known by then.

    Returns:
        In order; None where no time passed between readings in the period.
    """
    zone = the_plant(session).zone
    length = timedelta(days=days)
    moments: dict[uuid.UUID, set[datetime]] = {}
    for machine, until in asked:
        moments.setdefault(machine, set()).update((until - length, until))
    reached = reaches(session, zone, moments.keys(), as_of)
    totals = totals_at(session, zone, reached, moments)
    rates: list[float | None] = []
    for machine, until in asked:
        reach, start = reached.get(machine), until - length
        seen = 0
        if reach is not None:
            seen = microseconds_between(max(start, reach.first_at), min(until, reach.last_at))
        made = totals.at(machine, until) - totals.at(machine, start)
        rates.append(made * (_DAY // MICROSECOND) / seen if seen > 0 else None)
    return rates


def last_reading(
    session: Session,
    machine_ids: Collection[uuid.UUID] | None = None,
    as_of: datetime | None = None,
) -> dict[uuid.UUID, LastReading]:
    """The latest raw figure of each machine that has one. One statement."""

    def latest(what: Any) -> Any:
        mine = Reading.machine_id == Machine.id
        asked = select(what).where(mine, is_counted(Machine.id, as_of))
        asked = asked.order_by(Reading.read_at.desc()).limit(1).correlate(Machine)
        if as_of is None:
            return asked.where(at_the_end(Machine.id)).scalar_subquery()
        known = asked.where(Reading.read_at <= as_of)
        near = known.where(Reading.read_at >= near_before(as_of))
        return func.coalesce(near.scalar_subquery(), known.scalar_subquery())

    query = select(Machine.id, latest(Reading.read_at), latest(Reading.strokes))
    if machine_ids is not None:
        query = query.where(Machine.id.in_(list(machine_ids)))
    return {
        machine: LastReading(machine, read_at, strokes)
        for machine, read_at, strokes in session.execute(query)
        if read_at is not None
    }


def open_questions(
    session: Session, machine_id: uuid.UUID | None = None, as_of: datetime | None = None
) -> list[OpenQuestion]:
    """Jumps that nobody has explained, of one machine or all, in order of time.

    One statement; with `as_of` one more, and eight where something was settled later.
    """
    columns = (
        CounterQuestion.machine_id,
        CounterQuestion.from_at,
        CounterQuestion.to_at,
        CounterQuestion.from_strokes,
        CounterQuestion.to_strokes,
    )
    query = select(*columns)
    if machine_id is not None:
        query = query.where(CounterQuestion.machine_id == machine_id)
    if as_of is not None:
        query = query.where(CounterQuestion.to_at <= as_of)
    found = [OpenQuestion(*row) for row in session.execute(query)]
    if as_of is not None:
        found = _asked_then(session, found, machine_id, as_of)
    return sorted(found, key=lambda one: (one.to_at, one.machine_id))


def _asked_then(
    session: Session, now_open: list[OpenQuestion], machine_id: uuid.UUID | None, as_of: datetime
) -> list[OpenQuestion]:
    """Questions as they stood, knowing those that are open now: others were settled later."""
    settled = {
        machine: first
        for machine, first in settled_later(session, as_of).items()
        if machine_id in (None, machine)
    }
    if not settled:
        return now_open
    since = before(session, settled, as_of)
    counted = count_then(session, the_plant(session).zone, since, as_of)
    kept = [
        one
        for one in now_open
        if one.machine_id not in settled or _is_before(one.to_at, since[one.machine_id])
    ]
    for machine, then in counted.items():
        asked = [
            OpenQuestion(machine, from_at, to_at, *figures)
            for _machine, to_at, from_at, *figures in then.recount.questions
        ]
        kept += [one for one in asked if not _is_before(one.to_at, since[machine])]
    return kept


def _is_before(moment: datetime, since: datetime | None) -> bool:
    """Whether a stretch that ends at `moment` is the same now as then."""
    return since is not None and moment <= since


def machine_span(
    session: Session,
    machine_ids: Collection[uuid.UUID] | None = None,
    as_of: datetime | None = None,
) -> dict[uuid.UUID, MachineSpan]:
    """First and last reading of each machine that has one, and the strokes between them."""
    zone: ZoneInfo = the_plant(session).zone
    return {
        machine: MachineSpan(machine, reach.first_at, reach.last_at, reach.total)
        for machine, reach in reaches(session, zone, machine_ids, as_of).items()
    }


def first_reading(session: Session) -> datetime | None:
    """When the first counter was read first, UTC; None: none was. One statement."""
    mine = select(func.min(Reading.read_at)).where(
        Reading.machine_id == Machine.id, at_the_start(Machine.id)
    )
    first = mine.correlate(Machine).scalar_subquery()
    carried = select(CarriedCounter.first_at).where(CarriedCounter.machine_id == Machine.id)
    before = carried.correlate(Machine).scalar_subquery()
    asked = select(func.coalesce(before, first)).select_from(Machine)
    moments: list[datetime | None] = list(session.scalars(asked))
    return min((moment for moment in moments if moment is not None), default=None)
