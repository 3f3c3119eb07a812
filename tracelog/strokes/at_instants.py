"""Counted strokes of many machines up to very many instants, as arrays.

The same figures as `totals.Totals`, for those who cut a year into every hour, shift, coil and
tool: hours come as one text for each machine, and the rest is arithmetic on arrays.
"""

import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy.orm import Session

from tracelog.instants import hour_of
from tracelog.plant.queries import the_plant
from tracelog.strokes.hour_rows import hour_rows
from tracelog.strokes.hourly import texts_of_hours
from tracelog.strokes.hours import MICROSECOND, hour_starts, instant, microseconds
from tracelog.strokes.reaches import Reach, reaches
from tracelog.strokes.rules import Whole
from tracelog.strokes.totals import totals_within


@dataclass(frozen=True)
class CountedHours:
    """A machine's hours within a period: what its total at any instant of it is told from.

    Attributes:
        reach: how far the counter is known.
        starts: start of each hour, and last the end of the last one; microseconds since 1970.
        strokes, before: strokes in each hour, and all before it; 0 outside the readings.
    """

    reach: Reach
    starts: Whole
    strokes: Whole
    before: Whole

    def totals(self, moments: Whole) -> Whole:
        """Strokes from the first reading to each instant of the period, as `Totals.at`."""
        place = np.clip(
            np.searchsorted(self.starts, moments, side="right") - 1, 0, len(self.strokes) - 1
        )
        return totals_within(
            self.reach,
            moments,
            (self.starts[place], self.starts[place + 1]),
            (self.strokes[place], self.before[place]),
        )


@dataclass(frozen=True)
class TotalsOfPeriod:
    """Totals of machines at any instants of one period; see `totals_in`.

    Machines that were not read in the period are left out: they made nothing in it.
    """

    hours: Mapping[uuid.UUID, CountedHours]

    def strokes(self, machine_id: uuid.UUID, edges: Whole) -> Whole:
        """Strokes between each of several instants (in order, of the period) and the next."""
        counted = self.hours.get(machine_id)
        if counted is None:
            return np.zeros(max(len(edges) - 1, 0), dtype=np.int64)
        return np.diff(counted.totals(edges))


def totals_in(
    session: Session,
    machine_ids: Collection[uuid.UUID],
    start: datetime,
    end: datetime,
    as_of: datetime | None = None,
) -> TotalsOfPeriod:
    """What it takes to tell the strokes of machines between any instants of a period.

    Args:
        session: an open session.
        machine_ids: which machines.
        start, end: UTC, `end` after `start`.
        as_of: only what was known by then; None: all.

    Returns:
        Totals whose differences are exact and add up, as those of `queries.strokes_between`. Two
        statements beside those of `reaches`, whatever is asked.
    """
    zone = the_plant(session).zone
    starts = hour_starts(start, end - MICROSECOND, zone)
    first_at, end_at = instant(int(starts[0])), instant(int(starts[-1]))
    known = {
        machine: reach
        for machine, reach in reaches(session, zone, machine_ids, as_of).items()
        if reach.first_at < end_at and reach.last_at > first_at
    }
    texts = texts_of_hours(session, known, first_at, end_at)
    opening = {
        machine: max(first_at, hour_of(reach.first_at, zone)) for machine, reach in known.items()
    }
    rows = hour_rows(session, {machine: [hour] for machine, hour in opening.items()})
    found = {}
    for machine, reach in known.items():
        hour = opening[machine]
        row = reach.rows.get(hour) or rows.get((machine, hour))
        before = 0 if row is None else row.total_before
        found[machine] = _hours(reach, starts, texts.get(machine), hour, before)
    return TotalsOfPeriod(found)


def _hours(
    reach: Reach, starts: Whole, text: str | None, opening: datetime, before: int
) -> CountedHours:
    strokes = np.zeros(len(starts) - 1, dtype=np.int64)
    first = int(np.searchsorted(starts, microseconds(opening)))
    if text is not None:
        told = np.array(text.split(","), dtype=np.int64)
        strokes[first : first + len(told)] = told[: len(strokes) - first]
    for hour_at, row in reach.rows.items():
        place = int(np.searchsorted(starts, microseconds(hour_at)))
        if place < len(strokes) and starts[place] == microseconds(hour_at):
            strokes[place] = row.strokes
    return CountedHours(reach, starts, strokes, before + np.cumsum(strokes) - strokes)
