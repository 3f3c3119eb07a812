"""Counted strokes of machines up to any instant, from the hours: what all queries rest on.

Within an hour strokes are taken as even, from the hour's start (or the machine's first reading
in it) to its end (or the last reading), and rounded down: what lies between two instants is the
difference of two totals, so adjoining periods add up exactly, and a total is exact at hour
edges and at the first and last reading.
"""

import uuid
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import ScalarSelect, Select, and_, func, select
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.db import read_once
from tracelog.instants import hour_of, next_hour
from tracelog.plant.models import Machine
from tracelog.plant.queries import directory
from tracelog.strokes.hours import microseconds
from tracelog.strokes.models import Reading, StrokeHour
from tracelog.strokes.rules import CounterLimits, counted_until, settle
from tracelog.strokes.timelines import Window, joined, neighbours, timelines

_HOURS_AT_ONCE = 8_000
_MACHINES_AT_ONCE = 5_000


@dataclass(frozen=True)
class Reach:
    """How far a machine's counter is known: first and last reading, strokes between them."""

    machine_id: uuid.UUID
    first_at: datetime
    last_at: datetime
    total: int


@dataclass(frozen=True)
class HourRow:
    """One row of the hours: strokes in the hour, and all before it."""

    strokes: int
    total_before: int


def reaches(
    session: Session,
    zone: ZoneInfo,
    machine_ids: Collection[uuid.UUID] | None = None,
    as_of: datetime | None = None,
) -> dict[uuid.UUID, Reach]:
    """How far the counters of machines are known; machines without readings are left out.

    Args:
        session: an open session.
        zone: the plant's zone.
        machine_ids: which machines; None: all.
        as_of: only readings up to then; None: all.

    Returns:
        By machine. One statement, with `as_of` up to nine more; once in a snapshot for the same
        question, since every count of strokes begins with it.
    """
    ids = None if machine_ids is None else list(dict.fromkeys(machine_ids))
    named = "all" if ids is None else " ".join(sorted(one.hex for one in ids))
    name = f"reaches of {named} at {as_of.isoformat() if as_of else 'any time'}"
    return read_once(session, name, lambda: _reaches(session, zone, ids, as_of))


def _reaches(
    session: Session,
    zone: ZoneInfo,
    machine_ids: list[uuid.UUID] | None,
    as_of: datetime | None,
) -> dict[uuid.UUID, Reach]:
    found: dict[uuid.UUID, Reach] = {}
    cut: dict[uuid.UUID, tuple[datetime, datetime]] = {}
    chosen = [None] if machine_ids is None else pieces(machine_ids, _MACHINES_AT_ONCE)
    for piece in chosen:
        for machine, first_at, known_at, last_at, total in session.execute(
            _reach_query(piece, as_of)
        ):
            if known_at is None or total is None:
                continue
            found[machine] = Reach(machine, first_at, known_at, total)
            if known_at < last_at:
                cut[machine] = (first_at, known_at)
    found.update(_reaches_then(session, zone, cut))
    return found


def _reach_query(machine_ids: Iterable[uuid.UUID] | None, as_of: datetime | None) -> Select[Any]:
    def edge(what: Any) -> ScalarSelect[Any]:
        asked = select(what).where(Reading.machine_id == Machine.id)
        return asked.correlate(Machine).scalar_subquery()

    known: ScalarSelect[Any] = edge(func.max(Reading.read_at))
    if as_of is not None:
        mine = and_(Reading.machine_id == Machine.id, Reading.read_at <= as_of)
        known = select(func.max(Reading.read_at)).where(mine).correlate(Machine).scalar_subquery()
    total = (
        select(StrokeHour.total_before + StrokeHour.strokes)
        .where(StrokeHour.machine_id == Machine.id)
        .order_by(StrokeHour.hour_at.desc())
        .limit(1)
        .correlate(Machine)
        .scalar_subquery()
    )
    query = select(
        Machine.id, edge(func.min(Reading.read_at)), known, edge(func.max(Reading.read_at)), total
    )
    return query if machine_ids is None else query.where(Machine.id.in_(list(machine_ids)))


def _reaches_then(
    session: Session, zone: ZoneInfo, cut: Mapping[uuid.UUID, tuple[datetime, datetime]]
) -> dict[uuid.UUID, Reach]:
    """Reaches of machines that were read again later: strokes up to a reading inside an hour.

    The hour's row holds strokes of later readings too, so that its part is counted again from
    the readings that were known.
    """
    if not cut:
        return {}
    hours = {machine: hour_of(last_at, zone) for machine, (_, last_at) in cut.items()}
    rows = hour_rows(session, {machine: [hour] for machine, hour in hours.items()})
    begins = neighbours(session, [Window(machine, hour) for machine, hour in hours.items()])
    windows = [
        Window(machine, begins[machine][0], last_at) for machine, (_, last_at) in cut.items()
    ]
    machines = directory(session).by_id
    found = {}
    for machine, timeline in timelines(session, windows).items():
        limits = CounterLimits(machines[machine].counter_max, machines[machine].rated_spm)
        settled = settle(timeline, limits, from_start=begins[machine][0] is None)
        first_at, last_at = cut[machine]
        edges = np.array([microseconds(hours[machine]), microseconds(last_at)], dtype=np.int64)
        until = counted_until(settled.counted, edges)
        total = rows[machine, hours[machine]].total_before + int(until[1] - until[0])
        found[machine] = Reach(machine, first_at, last_at, total)
    return found


def hour_rows(
    session: Session, asked: Mapping[uuid.UUID, Collection[datetime]]
) -> dict[tuple[uuid.UUID, datetime], HourRow]:
    """Rows of the hours that start at exactly these instants, by machine and start.

    One statement for every few thousand rows; machines asked for the same hours share it.
    """
    alike: dict[frozenset[datetime], list[uuid.UUID]] = {}
    for machine, hours in asked.items():
        if hours:
            alike.setdefault(frozenset(hours), []).append(machine)
    wanted = [
        (part, machines)
        for hours, machines in alike.items()
        for part in pieces(sorted(hours), _HOURS_AT_ONCE)
    ]
    found: dict[tuple[uuid.UUID, datetime], HourRow] = {}
    for group in _of_size(wanted):
        for row in joined(session, group, _rows_query):
            found[row[0], row[1]] = HourRow(row[2], row[3])
    return found


def _rows_query(wanted: tuple[list[datetime], list[uuid.UUID]]) -> Any:
    hours, machines = wanted
    return select(
        StrokeHour.machine_id, StrokeHour.hour_at, StrokeHour.strokes, StrokeHour.total_before
    ).where(StrokeHour.machine_id.in_(machines), StrokeHour.hour_at.in_(hours))


def _of_size(
    wanted: Iterable[tuple[list[datetime], list[uuid.UUID]]],
) -> Iterable[list[tuple[list[datetime], list[uuid.UUID]]]]:
    """Groups that one statement can ask for: engines bound its number of values."""
    group: list[tuple[list[datetime], list[uuid.UUID]]] = []
    size = 0
    for hours, machines in wanted:
        if group and size + len(hours) > _HOURS_AT_ONCE:
            yield group
            group, size = [], 0
        group.append((hours, machines))
        size += len(hours)
    if group:
        yield group


@dataclass(frozen=True)
class Totals:
    """Totals of machines at instants that were asked for in advance; see `totals_at`."""

    zone: ZoneInfo
    reaches: Mapping[uuid.UUID, Reach]
    rows: Mapping[tuple[uuid.UUID, datetime], HourRow]
    hours: Mapping[datetime, tuple[datetime, datetime]]

    def at(self, machine_id: uuid.UUID, moment: datetime | None) -> int:
        """Counted strokes from the machine's first reading to `moment`; None: to its last."""
        reach = self.reaches.get(machine_id)
        if reach is None or (moment is not None and moment <= reach.first_at):
            return 0
        if moment is None or moment >= reach.last_at:
            return reach.total
        hour_at, ends_at = self.hours[moment]
        row = self.rows[machine_id, hour_at]
        start, end = max(hour_at, reach.first_at), min(ends_at, reach.last_at)
        strokes = row.strokes if ends_at <= reach.last_at else reach.total - row.total_before
        return row.total_before + strokes * microseconds_between(start, moment) // (
            microseconds_between(start, end)
        )


def microseconds_between(start: datetime, end: datetime) -> int:
    """Microseconds from `start` to `end`."""
    return microseconds(end) - microseconds(start)


def totals_at(
    session: Session,
    zone: ZoneInfo,
    reached: Mapping[uuid.UUID, Reach],
    asked: Mapping[uuid.UUID, Collection[datetime]],
) -> Totals:
    """Look up what it takes to tell the totals of machines at instants.

    Args:
        session: an open session.
        zone: the plant's zone.
        reached: from `reaches`.
        asked: instants by machine.

    Returns:
        Totals at those instants. One statement for every few thousand different hours.
    """
    hours: dict[datetime, tuple[datetime, datetime]] = {}
    wanted: dict[uuid.UUID, set[datetime]] = {}
    for machine, moments in asked.items():
        reach = reached.get(machine)
        if reach is None:
            continue
        inside = wanted.setdefault(machine, set())
        for moment in moments:
            if reach.first_at < moment < reach.last_at:
                if moment not in hours:
                    hours[moment] = hour_of(moment, zone), next_hour(moment, zone)
                inside.add(hours[moment][0])
    return Totals(zone, reached, hour_rows(session, wanted), hours)
