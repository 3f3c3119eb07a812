"""What a plan of services rests on, read as of an instant and put as a problem to be solved."""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from tracelog.instants import day_of, start_of_day
from tracelog.language import _
from tracelog.plant.calendar import planned_periods
from tracelog.plant.calendar_rules import PeriodKind, PlannedPeriodView
from tracelog.plant.queries import MachineView, the_plant
from tracelog.service.forecasts import outlooks
from tracelog.service.outlook import Outlook
from tracelog.service.pins import Pin, open_pins
from tracelog.service.plan_clashes import clash
from tracelog.service.plan_rules import (
    Duty,
    FloatArray,
    Placed,
    PlanMachine,
    PlanProblem,
    Weights,
)
from tracelog.service.planning_facts import Planning
from tracelog.service.queries import ServiceStanding, service_standings
from tracelog.service.rules import contains

# What falls due more often is the operators' round and not planned by the day.
ROUTINE_DAYS = 3.0
# Strokes of a day where no machine says what a day is; only for limits in days.
_SOME_STROKES = 1.0
# From every so many days on, and for lengths so far apart, the forecast is asked how sure it is.
_KNOT_DAYS = 12


@dataclass(frozen=True)
class LeftOut:
    """A level of a machine that is not planned, and why."""

    machine: MachineView
    service: str
    why: str


@dataclass(frozen=True)
class BrokenPromise:
    """A promise that the plan cannot keep, and why."""

    pin: Pin
    why: str


@dataclass(frozen=True)
class PlanInputs:
    """A problem, and what its places mean.

    Attributes:
        problem: with the promises that can be kept.
        as_of: UTC.
        machines: in the order of the problem's.
        levels: their levels, in the order of the duties.
        kept: the promises of the problem, in the same order.
        broken: those that cannot be kept.
        beyond: those for days after the last one.
        left_out: what is not planned.
    """

    problem: PlanProblem
    as_of: datetime
    machines: tuple[MachineView, ...]
    levels: tuple[tuple[ServiceStanding, ...], ...]
    kept: tuple[Pin, ...]
    broken: tuple[BrokenPromise, ...]
    beyond: tuple[Pin, ...]
    left_out: tuple[LeftOut, ...]

    def place(self, machine_id: uuid.UUID, service: str) -> tuple[int, int] | None:
        """Where a service of a machine stands in the problem, None if it is not planned."""
        for number, (machine, own) in enumerate(zip(self.machines, self.levels, strict=True)):
            if machine.id == machine_id:
                for place, one in enumerate(own):
                    if one.level.service == service:
                        return number, place
        return None


def read_inputs(
    session: Session,
    as_of: datetime,
    planning: Planning,
    wished: Collection[tuple[uuid.UUID, str]] = (),
) -> PlanInputs:
    """What a plan rests on.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        planning: crews, days and weights.
        wished: machines and services that somebody wants to promise, planned in any case.

    Returns:
        The problem and what its places mean. A fixed number of statements.
    """
    time = _time(as_of, the_plant(session).zone, planning.horizon_days)
    ahead = outlooks(session, as_of, len(time.days))
    kept_free = planned_periods(
        session, as_of, time.ends_at, as_of=as_of, kind=PeriodKind.NO_SERVICE
    )
    usual = [float(one.mean[-1]) / len(time.days) for one in ahead.values()]
    typical = max(float(np.mean(usual)) if usual else 0.0, _SOME_STROKES)
    pins = open_pins(session, as_of)
    wanted = {(pin.machine.id, pin.service) for pin in pins} | set(wished)
    by_machine: dict[uuid.UUID, list[ServiceStanding]] = {}
    left_out: list[LeftOut] = []
    for one in service_standings(session, as_of):
        why = _why_left_out(one, ahead.get(one.machine.id), typical, len(time.days))
        if why is None or (one.machine.id, one.level.service) in wanted:
            by_machine.setdefault(one.machine.id, []).append(one)
        else:
            left_out.append(LeftOut(one.machine, one.level.service, why))
    groups = [
        tuple(sorted(own, key=_length))
        for own in sorted(by_machine.values(), key=lambda own: _order(own[0].machine))
    ]
    made = [
        _machine(own, ahead.get(own[0].machine.id), time, typical, _blocked(own, kept_free, time))
        for own in groups
    ]
    inputs = PlanInputs(
        _problem(made, time, planning),
        as_of,
        tuple(own[0].machine for own in groups),
        tuple(groups),
        *((), (), ()),
        tuple(sorted(left_out, key=lambda one: (_order(one.machine), one.service))),
    )
    return with_pins(inputs, pins)


@dataclass(frozen=True)
class _Time:
    """The days of a plan on the plant's clock, how long each is, and when the last one ends."""

    zone: ZoneInfo
    days: tuple[date, ...]
    hours: FloatArray
    ends_at: datetime


def _time(as_of: datetime, zone: ZoneInfo, horizon_days: int) -> _Time:
    today = day_of(as_of, zone)
    days = tuple(today + timedelta(days=number) for number in range(horizon_days + 1))
    edges = [start_of_day(day, zone) for day in days]
    edges.append(start_of_day(days[-1] + timedelta(days=1), zone))
    hours = np.diff([edge.timestamp() for edge in edges]) / 3600
    return _Time(zone, days, hours, edges[-1])


def _problem(machines: Sequence[PlanMachine], time: _Time, planning: Planning) -> PlanProblem:
    return PlanProblem(
        time.days,
        tuple(planning.work_days[day.weekday()] for day in time.days),
        tuple(machines),
        planning.crews,
        planning.crew_people,
        planning.crew_hours,
        Weights(planning.unused_weight, planning.late_weight, planning.lost_weight),
    )


def with_pins(inputs: PlanInputs, pins: Sequence[Pin]) -> PlanInputs:
    """The same inputs with other promises: those that can be kept together, the oldest first.

    Args:
        inputs: of a plan.
        pins: what is promised.
    """
    problem = inputs.problem
    kept: list[tuple[Placed, Pin]] = []
    broken: list[BrokenPromise] = []
    beyond: list[Pin] = []
    for pin in sorted(pins, key=lambda one: (one.pinned_at, one.id)):
        day = (pin.pinned_on - problem.days[0]).days
        place = inputs.place(pin.machine.id, pin.service)
        if place is None:
            broken.append(BrokenPromise(pin, _("this service of the machine is not planned here")))
        elif day < 0:
            broken.append(BrokenPromise(pin, _("the day is over, and it is not recorded as done")))
        elif day > problem.last:
            beyond.append(pin)
        else:
            placed = Placed(*place, day)
            why = clash(problem, placed, [one for one, _pin in kept])
            if why is None:
                kept.append((placed, pin))
            else:
                broken.append(BrokenPromise(pin, why))
    return replace(
        inputs,
        problem=replace(problem, promised=tuple(placed for placed, _pin in kept)),
        kept=tuple(pin for _placed, pin in kept),
        broken=tuple(broken),
        beyond=tuple(beyond),
    )


def _order(machine: MachineView) -> tuple[int, str, int]:
    return machine.line, machine.station, machine.number


def _length(one: ServiceStanding) -> tuple[float, float, str]:
    """Lower levels first."""
    level = one.level
    return (
        float(level.interval_strokes or np.inf),
        float(level.interval_days or np.inf),
        level.service,
    )


def _why_left_out(
    one: ServiceStanding, ahead: Outlook | None, typical: float, days: int
) -> str | None:
    """Why a level of a machine is not planned, None if it is."""
    level = one.level
    if level.interval_strokes is None and level.interval_days is None:
        return _("it has no interval, so that it never falls due")
    by_days = level.interval_days is not None and one.done_at is not None
    if level.interval_strokes is None and not by_days:
        return _("nobody can say when it falls due: it was never recorded as done")
    if ahead is None and not by_days and one.strokes_since < (level.interval_strokes or 0):
        return _("the machine does not run, so that it does not fall due")
    daily = float(ahead.mean[-1]) / days if ahead is not None else typical
    lengths = [] if level.interval_strokes is None else [level.interval_strokes / max(daily, 1.0)]
    lengths += [] if level.interval_days is None else [float(level.interval_days)]
    if min(lengths) < ROUTINE_DAYS:
        return _("it falls due every day or two: the operators' round, not a day of a crew")
    return None


def _machine(
    own: Sequence[ServiceStanding],
    ahead: Outlook | None,
    time: _Time,
    typical: float,
    blocked: tuple[str | None, ...],
) -> PlanMachine:
    count, daily = len(time.days), typical
    strokes, spread, up = np.zeros(count + 1), np.zeros((count + 1, count + 1)), time.hours
    if ahead is not None:
        strokes = np.concatenate([[0.0], ahead.mean[:count]])
        spread, up = deviations(ahead, count), ahead.hours_up[:count]
        daily = max(float(strokes[-1]) / count, _SOME_STROKES)
    return PlanMachine(
        own[0].machine.text,
        own[0].machine.line,
        tuple(_duty(one, own, ahead is not None, time) for one in own),
        strokes,
        spread,
        daily,
        up,
        np.maximum(time.hours - up, 0.0),
        blocked,
    )


def _duty(one: ServiceStanding, own: Sequence[ServiceStanding], runs: bool, time: _Time) -> Duty:
    level, today = one.level, time.days[0]
    left = None if level.interval_strokes is None else level.interval_strokes - one.strokes_since
    if left is not None and left > 0 and not runs:
        left = None
    days_left = None
    if level.interval_days is not None and one.done_at is not None:
        days_left = (day_of(one.done_at, time.zone) - today).days + level.interval_days
    return Duty(
        level.service,
        None if left is None else level.interval_strokes,
        None if days_left is None else level.interval_days,
        left,
        days_left,
        level.hours or 0.0,
        level.people,
        _due_in_days(one, left, today),
        frozenset(place for place, other in enumerate(own) if contains(level, other.level)),
    )


def _due_in_days(one: ServiceStanding, left: int | None, today: date) -> int | None:
    """Days until a level falls due; today where it is over and the machine stands since."""
    if one.due.due is not None:
        return (one.due.due - today).days
    return 0 if left is not None and left <= 0 else None


def deviations(ahead: Outlook, count: int) -> FloatArray:
    """Deviation of a machine's strokes between the starts of any two days.

    What `Outlook.between` says of stretches of some lengths from some days on; variances between
    these are interpolated, by length and then by first day. From the instant on it is exact.

    Args:
        ahead: the machine's outlook.
        count: so many days of it.

    Returns:
        Shape (count + 1, count + 1): from the start of a day, or the instant, to that of another.
    """
    starts = sorted({*range(0, count, _KNOT_DAYS), count - 1})
    lengths = np.arange(count + 1)
    by_start = np.array([_variances(ahead, start, count) for start in starts])
    found = np.zeros((count + 1, count + 1))
    for length in lengths[1:]:
        firsts = np.arange(count + 1 - length)
        variance = np.interp(firsts, starts, by_start[:, length])
        found[firsts, firsts + length] = np.sqrt(variance)
    found[0, 1:] = ahead.deviation[:count]
    return found


def _variances(ahead: Outlook, start: int, count: int) -> FloatArray:
    """Variance of the strokes of stretches from a day on, by their length in days."""
    longest = count - start
    knots = sorted({*(n for n in (1, 2, 4, 7, 11, 16, 24) if n < longest), longest})
    knots = sorted({*knots, *range(36, longest, _KNOT_DAYS)})
    before = None if start == 0 else ahead.days[start - 1]
    found = [ahead.between(before, ahead.days[start + length - 1])[1] ** 2 for length in knots]
    return np.interp(np.arange(count + 1), [0, *knots], [0.0, *found])


def _blocked(
    own: Sequence[ServiceStanding], periods: Sequence[PlannedPeriodView], time: _Time
) -> tuple[str | None, ...]:
    """For each day, why no service of a machine may be done then: what a period touches."""
    machine, found = own[0].machine, dict[date, str]()
    for period in periods:
        if not period.concerns(machine.line_id, machine.id):
            continue
        day = max(day_of(period.starts_at, time.zone), time.days[0])
        end = min(day_of(period.ends_at - timedelta(microseconds=1), time.zone), time.days[-1])
        while day <= end:
            found.setdefault(day, period.reason or _("no reason was given"))
            day += timedelta(days=1)
    return tuple(found.get(day) for day in time.days)
