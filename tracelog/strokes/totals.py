"""Counted strokes of machines up to any instant, from the hours: what all queries rest on.

Within an hour strokes are taken as even, from the hour's start (or the machine's first reading
in it) to its end (or the last reading), and rounded down: what lies between two instants is the
difference of two totals, so adjoining periods add up exactly, and a total is exact at hour
edges and at the first and last reading.
"""

import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from tracelog.instants import hour_of, next_hour
from tracelog.strokes.hour_rows import HourRow, hour_rows
from tracelog.strokes.hours import microseconds
from tracelog.strokes.reaches import Reach
from tracelog.strokes.rules import Whole


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
        if moment == start:
            # As shifts do, most periods begin and end with an hour.
            return row.total_before
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
    rows = hour_rows(session, wanted)
    rows |= {(m, hour): row for m in wanted for hour, row in reached[m].rows.items()}
    return Totals(zone, reached, rows, hours)


def totals_within(
    reach: Reach, moments: Whole, hours: tuple[Whole, Whole], counted: tuple[Whole, Whole]
) -> Whole:
    """A machine's totals at instants, as `Totals.at`, from the hours that hold them.

    Args:
        reach: how far its counter is known.
        moments: microseconds since 1970, of shape (n,).
        hours: start and end of the hour that holds each.
        counted: strokes in that hour and all before it; what they are outside the readings does
            not matter.
    """
    first, last = microseconds(reach.first_at), microseconds(reach.last_at)
    strokes, before = counted
    start, end = np.maximum(hours[0], first), np.minimum(hours[1], last)
    made = np.where(hours[1] <= last, strokes, reach.total - before)
    inside = before + made * (moments - start) // np.maximum(end - start, 1)
    inside = np.where(moments >= last, reach.total, inside)
    return np.asarray(np.where(moments <= first, 0, inside), dtype=np.int64)
