"""The plan of services as a problem: what may be done when, by whom, and what hangs together.

Pure: values in, values out. Days are counted from the day of the instant (0); the plan begins on
day 1, and only what was promised may stand on day 0. A service is done in the morning: strokes up
to the end of the day before count before it, those of its last day after it.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Weights:
    """What one stroke costs: left unused, made too late, not made for want of the machine.

    Only their ratios matter. The defaults are guesses, no source: with late at four times unused,
    a service alone is best on the day on which it is late with a chance of one in five; with lost
    at twenty, a planned stop is worth doing a service about a tenth of its interval early.
    """

    unused: float = 1.0
    late: float = 4.0
    lost: float = 20.0


@dataclass(frozen=True)
class Duty:
    """One level of service of one machine.

    Attributes:
        service: what it is called.
        interval_strokes, interval_days: when it falls due, whichever comes first.
        strokes_left: of the interval, at the instant; negative: overdue. None: no such limit.
        days_left: from day 0 to the limit in days, likewise.
        hours: how long the machine stands.
        people: how many it takes, None if not known.
        due: the day on which it falls due as things stand, counted from day 0, negative: before
            it. None: not within the time that anybody could foresee.
        does: places, among the machine's duties, of those that doing this one does; its own too.
    """

    service: str
    interval_strokes: float | None
    interval_days: int | None
    strokes_left: float | None
    days_left: int | None
    hours: float
    people: int | None
    due: int | None
    does: frozenset[int]


@dataclass(frozen=True)
class PlanMachine:
    """One machine, with H days after day 0.

    Attributes:
        name: how it is called.
        line: its line.
        duties: its levels of service.
        strokes: expected from the instant to the start of each day, and to the end of the last,
            shape (H + 2,); the first is 0.
        deviation: of the strokes between the starts of two days, shape (H + 2, H + 2).
        daily: strokes of a usual day, for limits in days and for what lies beyond the last day.
        hours_up: hours of each day outside planned stops, shape (H + 1,).
        hours_stopped: hours of each day within them.
        blocked: for each day, why no service may be done then, None if it may.
    """

    name: str
    line: int
    duties: tuple[Duty, ...]
    strokes: FloatArray
    deviation: FloatArray
    daily: float
    hours_up: FloatArray
    hours_stopped: FloatArray
    blocked: tuple[str | None, ...]


class Placed(NamedTuple):
    """A service in a plan: places of the machine and of its duty, and the day it begins."""

    machine: int
    duty: int
    day: int


@dataclass(frozen=True)
class Span:
    """The days that a service takes: from `first` to `last`, crews at work on `working`."""

    first: int
    last: int
    working: tuple[int, ...]


@dataclass(frozen=True)
class PlanProblem:
    """Everything that a plan depends on.

    Attributes:
        days: day 0 and the H days that can be planned.
        works: whether crews do services on each.
        machines: in the order in which they are named.
        crews: how many crews there are; each does one service at a time.
        crew_people: people in a crew, None if not known.
        crew_hours: hours that a crew works on a day.
        weights: what a stroke costs.
        promised: what has its day already; free of contradictions (`clash`).
    """

    days: tuple[date, ...]
    works: tuple[bool, ...]
    machines: tuple[PlanMachine, ...]
    crews: int
    crew_people: int | None
    crew_hours: float
    weights: Weights = field(default_factory=Weights)
    promised: tuple[Placed, ...] = ()

    @property
    def last(self) -> int:
        """The last day that can be planned."""
        return len(self.days) - 1

    @cached_property
    def pinned(self) -> frozenset[Placed]:
        """What has its day already."""
        return frozenset(self.promised)

    def duty(self, placed: Placed) -> Duty:
        """The duty that a service does."""
        return self.machines[placed.machine].duties[placed.duty]


def work_days(duty: Duty, crew_hours: float) -> int:
    """On how many days a crew works at a service."""
    return max(1, math.ceil(duty.hours / crew_hours - 1e-9))


def crews_needed(duty: Duty, crew_people: int | None) -> int:
    """How many crews a service takes at once."""
    if duty.people is None or crew_people is None:
        return 1
    return max(1, math.ceil(duty.people / crew_people))


def span_of(problem: PlanProblem, placed: Placed) -> Span | None:
    """The days that a service takes when it begins on a day; None: it cannot begin then.

    It takes working days one after the other, and no day of it may be blocked; over days on
    which no crew works the machine stays open. It ends by the last day of the plan.
    """
    duty, blocked = problem.duty(placed), problem.machines[placed.machine].blocked
    wanted, working, day = work_days(duty, problem.crew_hours), [], placed.day
    if not problem.works[day]:
        return None
    while day <= problem.last and blocked[day] is None:
        if problem.works[day]:
            working.append(day)
            if len(working) == wanted:
                return Span(placed.day, day, tuple(working))
        day += 1
    return None


def hours_at_work(duty: Duty, span: Span, crew_hours: float) -> list[float]:
    """Hours that a service takes on each working day of its span."""
    left, found = duty.hours, []
    for _day in span.working:
        found.append(min(left, crew_hours))
        left -= found[-1]
    return found


def strokes_lost(problem: PlanProblem, placed: Placed, span: Span) -> float:
    """Strokes that the machine would have made while it stands, outside planned stops.

    Hours of a planned stop on the same day are used first. Days between, on which no crew works,
    are lost whole.
    """
    machine = problem.machines[placed.machine]
    made = np.diff(machine.strokes)
    lost = 0.0
    hours = iter(hours_at_work(problem.duty(placed), span, problem.crew_hours))
    for day in range(span.first, span.last + 1):
        if day not in span.working:
            lost += made[day]
        else:
            needed = max(0.0, next(hours) - machine.hours_stopped[day])
            if machine.hours_up[day] > 0:
                lost += made[day] * min(1.0, needed / machine.hours_up[day])
    return float(lost)


def is_in_stop(problem: PlanProblem, placed: Placed, span: Span) -> bool:
    """Whether planned stops cover the hours of a service, day by day."""
    stopped = problem.machines[placed.machine].hours_stopped
    hours = hours_at_work(problem.duty(placed), span, problem.crew_hours)
    covered = all(stopped[d] >= h - 1e-9 for d, h in zip(span.working, hours, strict=True))
    return covered and max(hours) > 0


class Leg(NamedTuple):
    """From one reset of a duty to the next: row, column, and the service that ends it."""

    since: int
    until: int
    ended_by: Placed | None


def legs_of(
    problem: PlanProblem, machine: int, duty: int, plan: Iterable[tuple[Placed, Span]]
) -> list[Leg]:
    """The stretches between a duty's resets under a plan, the last one without a service.

    Args:
        problem: the problem.
        machine, duty: whose.
        plan: the services of the plan with their days; those of other machines are left out.
    """
    resets = sorted(
        (span.first, span.last, placed)
        for placed, span in plan
        if placed.machine == machine and duty in problem.duty(placed).does
    )
    legs, since = [], 0
    for first, last, placed in resets:
        legs.append(Leg(since, first, placed))
        since = last + 1
    return [*legs, Leg(since, problem.last + 1, None)]


def chains_of(machine: PlanMachine) -> list[tuple[int, ...]] | None:
    """The duties of a machine in groups, each from the lowest level to the highest.

    Duties of different groups have nothing to do with each other; within a group each higher one
    does all lower ones. None: they cannot be put into such groups.
    """
    groups: list[set[int]] = []
    for place, duty in enumerate(machine.duties):
        related = {other for other, one in enumerate(machine.duties) if place in one.does}
        group = related | set(duty.does)
        touching = [one for one in groups if one & group]
        groups = [one for one in groups if not one & group] + [group.union(*touching)]
    chains = []
    for group in sorted(groups, key=min):
        ordered = sorted(group, key=lambda place: (len(machine.duties[place].does), place))
        for number, place in enumerate(ordered, start=1):
            if machine.duties[place].does != set(ordered[:number]):
                return None
        chains.append(tuple(ordered))
    return chains


def in_order(plan: Iterable[Placed]) -> tuple[Placed, ...]:
    """The services of a plan by day, machine and duty."""
    return tuple(sorted(plan, key=lambda one: (one.day, one.machine, one.duty)))
