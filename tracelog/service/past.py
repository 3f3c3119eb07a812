"""Reads of what forecasts rest on: strokes hour by hour, planned stops, services done."""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from sqlalchemy.orm import Session

from tracelog.instants import day_of, start_of_day
from tracelog.plant.calendar import PeriodKind, PlannedPeriodView, planned_periods
from tracelog.plant.calendar_rules import concerning, merged
from tracelog.plant.queries import BODYMAKER, MachineView, PlantView, directory, the_plant
from tracelog.service.clock_hours import HOURS_OF_WEEK, ClockHours, clock_hours, covered
from tracelog.service.prospects import Future
from tracelog.service.records import ServiceDone
from tracelog.service.rules import Level, contains
from tracelog.service.running import Past
from tracelog.service.standstills import ServedAt
from tracelog.stats.inputs import FloatArray
from tracelog.strokes.hourly import hourly_strokes

# A quarter of a year: long enough for every day of the week, short enough to be of today.
PAST_DAYS = 91
# A stop that is shorter may recur every week, which is looked for in so many weeks.
_RECURRING = timedelta(hours=48)
_WEEKS = 8
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Known:
    """The past of all machines with readings, and the planned stops, as known at an instant.

    `machines` are in the order of the rows of `past`; `read_until` is when each was last read.
    """

    as_of: datetime
    plant: PlantView
    machines: tuple[MachineView, ...]
    past: Past
    read_until: tuple[datetime, ...]
    stops: tuple[PlannedPeriodView, ...]

    def hours(self, first_day: date, days: int) -> ClockHours:
        """Hours of the plant's clock."""
        return clock_hours_of(self.plant, first_day, days)


def clock_hours_of(plant: PlantView, first_day: date, days: int) -> ClockHours:
    """Hours of the plant's clock, with its shifts."""
    starts = tuple(shift.starts for shift in plant.rota.shifts)
    return clock_hours(plant.zone, starts, first_day, days)


def known_past(
    session: Session,
    as_of: datetime,
    done: Collection[ServiceDone],
    levels: Collection[Level],
    past_days: int = PAST_DAYS,
    ahead_days: int = 3660,
) -> Known:
    """Read the past of all machines that have readings.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        done: services done up to then.
        levels: all levels.
        past_days: how many whole days before the day of `as_of`.
        ahead_days: how far planned stops are looked for.

    Returns:
        Four statements beside those that every count of strokes begins with.
    """
    plant = the_plant(session)
    today = day_of(as_of, plant.zone)
    first_day = today - past_days * _DAY
    hours = clock_hours_of(plant, first_day, past_days + 1)
    start = start_of_day(first_day, plant.zone)
    end = start_of_day(today + _DAY, plant.zone)
    read = hourly_strokes(session, start, end, as_of)
    machines = tuple(one for one in directory(session).bodymakers if one.id in read.strokes)
    stops = tuple(
        planned_periods(session, start, end + ahead_days * _DAY, as_of=as_of, kind=PeriodKind.STOP)
    )
    return Known(
        as_of,
        plant,
        machines,
        Past(
            hours,
            int(hours.first[-2]),
            _stacked([read.strokes[one.id] for one in machines], len(hours.day)),
            _outside_past(hours, machines, stops),
            np.array([(one.rated_spm or np.nan) * 60 for one in machines]),
            served(hours, machines, done, levels),
        ),
        tuple(read.read_until[one.id] for one in machines),
        stops,
    )


def _stacked(rows: Sequence[FloatArray], count: int) -> FloatArray:
    return np.stack(rows) if rows else np.zeros((0, count))


def served(
    hours: ClockHours,
    machines: Sequence[MachineView],
    done: Collection[ServiceDone],
    levels: Collection[Level],
) -> tuple[ServedAt, ...]:
    """Services within the hours, those of one instant as the highest level among them."""
    rows = {machine.id: row for row, machine in enumerate(machines)}
    by_name = {level.service: level for level in levels if level.station == BODYMAKER}
    together: dict[tuple[uuid.UUID, datetime], list[ServiceDone]] = {}
    for one in done:
        second = one.done_at.timestamp()
        if hours.starts[0] <= second < hours.starts[-1] and one.machine.id in rows:
            together.setdefault((one.machine.id, one.done_at), []).append(one)
    found = []
    for (machine, done_at), group in together.items():
        known = [by_name[one.service] for one in group if one.service in by_name]
        if known:
            level = next(
                (one for one in known if all(contains(one, other) for other in known)), known[0]
            )
            found.append(
                ServedAt(
                    rows[machine],
                    hours.place_of(done_at.timestamp()),
                    done_at.timestamp(),
                    level.service,
                    level.hours,
                    not any(one.unplanned for one in group),
                )
            )
    return tuple(sorted(found, key=lambda one: (one.hour, one.machine)))


def _calendars(
    machines: Sequence[MachineView], stops: Sequence[PlannedPeriodView]
) -> tuple[list[list[PlannedPeriodView]], list[int]]:
    """The different calendars of machines, and which of them is whose."""
    kinds: dict[tuple[uuid.UUID, ...], int] = {}
    calendars: list[list[PlannedPeriodView]] = []
    whose = []
    for machine in machines:
        own = concerning(stops, machine.line_id, machine.id)
        key = tuple(one.id for one in own)
        if key not in kinds:
            kinds[key] = len(calendars)
            calendars.append(own)
        whose.append(kinds[key])
    return calendars, whose


def _outside_past(
    hours: ClockHours, machines: Sequence[MachineView], stops: Sequence[PlannedPeriodView]
) -> FloatArray:
    """Share of each hour outside planned stops, machines by hours."""
    calendars, whose = _calendars(machines, stops)
    outside = [1 - covered(hours, merged(own)) for own in calendars]
    return _stacked([outside[own] for own in whose], len(hours.day))


def future_of(known: Known, days: int) -> Future:
    """The days ahead as the calendar tells them.

    Stops of every week go on in the same way beyond the last one that the calendar tells.
    """
    ahead = known.hours(day_of(known.as_of, known.plant.zone), days)
    read_until = np.array([until.timestamp() for until in known.read_until])
    return _future(known.machines, known.stops, known.past.hours, ahead, known.as_of, read_until)


def _future(
    machines: Sequence[MachineView],
    stops: Sequence[PlannedPeriodView],
    past: ClockHours,
    ahead: ClockHours,
    at: datetime,
    read_until: FloatArray,
) -> Future:
    calendars, whose = _calendars(machines, stops)
    outside = tuple(1 - _covered_ahead(past, ahead, own) for own in calendars)
    return Future(ahead, at.timestamp(), outside, tuple(whose), read_until)


def calendar_at(
    session: Session, known: Known, at: datetime, past: ClockHours, ahead: ClockHours
) -> tuple[FloatArray, Future]:
    """The calendar as it was known at an earlier instant. One statement.

    Args:
        session: an open session.
        known: the history.
        at: UTC.
        past: hours of the past, the day of `at` the last.
        ahead: hours of the days ahead, that day the first.

    Returns:
        Share of each past hour outside planned stops, machines by hours; and the days ahead, as
        if every machine had been read at the start of that hour.
    """
    start = datetime.fromtimestamp(float(past.starts[0]), UTC)
    end = datetime.fromtimestamp(float(ahead.starts[-1]), UTC)
    stops = planned_periods(session, start, end, as_of=at, kind=PeriodKind.STOP)
    read_until = np.full(len(known.machines), at.timestamp())
    future = _future(known.machines, stops, past, ahead, at, read_until)
    return _outside_past(past, known.machines, stops), future


def _covered_ahead(
    past: ClockHours, hours: ClockHours, stops: Sequence[PlannedPeriodView]
) -> FloatArray:
    found = covered(hours, merged(stops))
    short = [one for one in stops if one.ends_at - one.starts_at < _RECURRING]
    if not short:
        return found
    last = max(one.ends_at for one in short).timestamp()
    if last >= hours.starts[-1]:
        return found
    low = int(past.first[max(len(past.days) - 1 - 7 * _WEEKS, 0)])
    before = covered(past, merged(short))[low : int(past.first[-2])]
    week = np.bincount(past.week_hour[low : int(past.first[-2])], before, HOURS_OF_WEEK) / _WEEKS
    recurring = np.where(week >= 0.5, week, 0.0)[hours.week_hour]
    return np.where(hours.starts[:-1] >= last, np.maximum(found, recurring), found)
