"""Strokes of a line and of the machines in question minute by minute, as arrays."""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
from sqlalchemy.orm import Session

from tracelog.plant.queries import Directory
from tracelog.strokes.at_instants import CountedHours, totals_in
from tracelog.strokes.hours import microseconds
from tracelog.strokes.queries import OpenQuestion, open_questions
from tracelog.trace.suspects.spreading import Making
from tracelog.trace.transit import FloatArray

Flags = npt.NDArray[np.bool_]
Instants = npt.NDArray[np.int64]

_MINUTE = timedelta(minutes=1)
_MINUTE_MICROSECONDS = 60_000_000


@dataclass(frozen=True)
class Made:
    """What a line made, and where that is not on record.

    Attributes:
        origin: the instant from which minutes count.
        making: strokes until each minute.
        unread: (n - 1,) share of the machines in question whose strokes of a minute are filled in.
    """

    origin: datetime
    making: Making
    unread: FloatArray

    def minutes_at(self, moment: datetime) -> float:
        """Minutes from the origin."""
        return (moment - self.origin) / _MINUTE

    def strokes_in(self, start: datetime, end: datetime) -> float:
        """Strokes of the machines in question in [start, end)."""
        asked = [self.minutes_at(start), self.minutes_at(end)]
        first, last = np.interp(asked, self.making.minutes, self.making.suspect)
        return float(last - first)

    def unread_in(self, start: datetime, end: datetime) -> float:
        """Minutes of [start, end) in which strokes of the machines in question are filled in."""
        inside = self.making.minutes[:-1] >= np.floor(self.minutes_at(start))
        inside &= self.making.minutes[:-1] < self.minutes_at(end)
        return float(self.unread[inside].sum())


def made_on_lines(
    session: Session,
    machines: Directory,
    lines: Sequence[uuid.UUID],
    suspects: Collection[uuid.UUID],
    period: tuple[datetime, datetime],
    as_of: datetime,
) -> dict[uuid.UUID, Made]:
    """Strokes of lines minute by minute.

    Minutes in which a counter is not known (before its first and after its last reading, and in a
    jump that nobody has explained) count with the machine's own mean of the period. A machine in
    question that was never read counts with the mean of the line's others; another one that was
    never read counts as standing, which makes the share of those in question larger, not smaller.

    Args:
        session: an open session.
        machines: the directory.
        lines: which lines.
        suspects: machines in question.
        period: first and last instant.
        as_of: UTC; only what was known by then.

    Returns:
        For each line; a fixed number of statements.
    """
    start, end = period
    count = int((end - start) / _MINUTE) + 2
    edges = microseconds(start) + np.arange(count, dtype=np.int64) * _MINUTE_MICROSECONDS
    asked = [one for one in machines.bodymakers if one.line_id in lines]
    last = start + count * _MINUTE
    hours = totals_in(session, [one.id for one in asked], start, last, as_of).hours
    questions = open_questions(session, None, as_of)
    minutes = np.arange(count, dtype=np.float64)
    found = {}
    for line_id in lines:
        own = [one.id for one in asked if one.line_id == line_id]
        rows = np.array([_a_minute(hours.get(one), one, edges, questions) for one in own])
        chosen = np.array([one in suspects for one in own], dtype=bool)
        filled, is_filled = _filled(rows.reshape(len(own), count - 1), chosen)
        making = Making(
            minutes, _cumulated(filled[chosen].sum(axis=0)), _cumulated(filled.sum(axis=0))
        )
        share = is_filled[chosen].sum(axis=0) / max(int(chosen.sum()), 1)
        found[line_id] = Made(start, making, share)
    return found


def _cumulated(each: FloatArray) -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(each)])


def _a_minute(
    counted: CountedHours | None,
    machine_id: uuid.UUID,
    edges: Instants,
    questions: Sequence[OpenQuestion],
) -> FloatArray:
    """Strokes of each minute; not a number where they are not known."""
    if counted is None:
        return np.full(len(edges) - 1, np.nan)
    found = np.diff(counted.totals(edges)).astype(np.float64)
    unknown = edges[:-1] < microseconds(counted.reach.first_at)
    unknown |= edges[1:] > microseconds(counted.reach.last_at)
    for one in questions:
        if one.machine_id == machine_id:
            unknown |= (edges[:-1] < microseconds(one.to_at)) & (
                edges[1:] > microseconds(one.from_at)
            )
    found[unknown] = np.nan
    return found


def _filled(rows: FloatArray, suspects: Flags) -> tuple[FloatArray, FloatArray]:
    """Strokes with no gaps, and where they were filled in."""
    unknown = np.isnan(rows)
    sums = np.where(unknown, 0.0, rows).sum(axis=1)
    known = (~unknown).sum(axis=1)
    own = np.divide(sums, known, out=np.full(len(rows), np.nan), where=known > 0)
    others = float(np.nanmean(own)) if known.any() else 1.0
    rates = np.where(np.isnan(own), np.where(suspects, others, 0.0), own)
    return np.where(unknown, rates[:, None], rows), unknown.astype(np.float64)
