"""Whether a figure that somebody read off a counter is likely, going by what it showed before."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.plant.queries import MachineView
from tracelog.strokes.hours import MICROSECOND, instant, microseconds
from tracelog.strokes.queries import recent_rate, strokes_by_bucket
from tracelog.strokes.question_rules import Expectation, expected_strokes
from tracelog.strokes.questions import limits_of
from tracelog.strokes.rules import CounterLimits, Timeline, rolled_over, settle
from tracelog.strokes.timelines import Window, neighbours, timelines

# What the machine made in so many days says what to expect of it.
_LOOKED_AT = timedelta(days=28)


@dataclass(frozen=True)
class Expected:
    """What a counter should show at an instant, from what it showed before.

    Attributes:
        since_at: when it was last known, by a reading or a counter event.
        since_strokes: what it showed then.
        made: strokes since then.
        counter_max: its last figure before 0, None if not known.
    """

    since_at: datetime
    since_strokes: int
    made: Expectation
    counter_max: int | None

    @property
    def low(self) -> int:
        """The lowest figure, before it rolls over."""
        return self.since_strokes + self.made.low

    @property
    def high(self) -> int:
        """The highest figure, before it rolls over."""
        return self.since_strokes + self.made.high

    @property
    def rolled_to(self) -> int | None:
        """The highest figure after rolling over, None if it cannot have come to that."""
        if self.counter_max is None or self.high <= self.counter_max:
            return None
        return self.high - self.counter_max - 1

    def allows(self, strokes: int) -> bool:
        """Whether a figure is nothing special."""
        gained = strokes - self.since_strokes
        if gained >= 0:
            return self.made.holds(gained)
        return self.made.holds(rolled_over(gained, CounterLimits(self.counter_max)))


@dataclass(frozen=True)
class Later:
    """What the counter showed at the reading that follows."""

    read_at: datetime
    strokes: int


def doubt_about(
    session: Session, machine: MachineView, read_at: datetime, strokes: int
) -> Expected | Later | None:
    """Why a figure is improbable: what was expected, or what it does not go with later.

    Args:
        session: an open session.
        machine: whose counter.
        read_at: when it was read, UTC; also between readings on record.
        strokes: the figure.

    Returns:
        None where it is nothing special.
    """
    window = Window(machine.id, read_at - MICROSECOND, read_at + MICROSECOND)
    start, end = neighbours(session, [window])[machine.id]
    line = timelines(session, [Window(machine.id, start or read_at, end or read_at)])[machine.id]
    limits = limits_of(machine)
    expected = _expected(session, machine, line, read_at, start)
    if expected is not None and not expected.allows(strokes):
        return expected
    if end is not None and _goes_wrong_later(line, limits, read_at, strokes, start, end):
        return Later(end, int(line.strokes[-1]))
    return None


def _expected(
    session: Session,
    machine: MachineView,
    line: Timeline,
    read_at: datetime,
    start: datetime | None,
) -> Expected | None:
    """What to expect at an instant, None where nothing is known before it."""
    events = np.flatnonzero(line.event_at <= microseconds(read_at))
    known = None if start is None else (start, int(line.strokes[0]))
    if len(events) and (known is None or instant(int(line.event_at[events[-1]])) > known[0]):
        place = events[-1]
        known = instant(int(line.event_at[place])), int(line.strokes_after[place])
    if known is None:
        return None
    since_at, since_strokes = known
    (per_day,) = recent_rate(session, [(machine.id, since_at)])
    limits = limits_of(machine)
    hours = _hours_before(session, machine.id, since_at)
    made = expected_strokes(hours, per_day, read_at - since_at, limits)
    return Expected(since_at, since_strokes, made, limits.counter_max)


def expected_now(session: Session, machine: MachineView, now: datetime) -> Expected | None:
    """What a counter should show now, None where it was never read."""
    window = Window(machine.id, now)
    start = neighbours(session, [window])[machine.id][0]
    line = timelines(session, [Window(machine.id, start or now, now)])[machine.id]
    return _expected(session, machine, line, now, start)


def _hours_before(session: Session, machine: uuid.UUID, until: datetime) -> Sequence[int]:
    """Strokes of the whole hours before an instant, in order."""
    rows = strokes_by_bucket(session, [machine], until - _LOOKED_AT, until, Bucket.HOUR)
    # The first and the last may be known in part only.
    return [row.strokes for row in rows[1:-1]]


def _goes_wrong_later(
    line: Timeline,
    limits: CounterLimits,
    read_at: datetime,
    strokes: int,
    start: datetime | None,
    end: datetime,
) -> bool:
    """Whether the reading after would be in question with this one before it."""
    at = np.int64(microseconds(read_at))
    place = int(np.searchsorted(line.read_at, at))
    with_it = Timeline(
        np.insert(line.read_at, place, at),
        np.insert(line.strokes, place, strokes),
        line.event_at,
        line.strokes_after,
        line.said,
    )
    is_first = start is None
    before, after = (settle(one, limits, from_start=is_first).questions for one in (line, with_it))
    later = microseconds(end)
    return later in after.to_at.tolist() and later not in before.to_at.tolist()
