"""The plan of services: which machine is served on which day, by which crew, and at what cost."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracelog.instants import hour_of
from tracelog.plant.models import PlannedPeriod
from tracelog.plant.queries import MachineView, the_plant
from tracelog.service.models import Service, ServicePin
from tracelog.service.pins import Pin, planning
from tracelog.service.plan_clashes import why_waiting
from tracelog.service.plan_costs import PlannedService
from tracelog.service.plan_memory import memory
from tracelog.service.plan_reading import BrokenPromise, LeftOut, PlanInputs, read_inputs
from tracelog.service.plan_rules import Placed, PlanProblem, crews_needed
from tracelog.service.plan_solver import TIME_LIMIT_SECONDS, Solution
from tracelog.service.plan_tables import PlanTables
from tracelog.service.planning_facts import Planning


@dataclass(frozen=True)
class PlanLine:
    """One service of the plan.

    Attributes:
        machine: which machine.
        service: which level.
        day, last_day: from which day to which.
        due: when it falls due on average; None: not within what can be foreseen.
        hours: how long the machine stands, None if not known.
        people: how many it takes, None if not known.
        crews: which crews do it, counted from 1.
        strokes_unused, strokes_late, strokes_lost: expected.
        chance_late: that its interval is used up by then.
        in_stop: planned stops cover its hours.
        also: lower levels that it does as well.
        pin: the promise that set its day, if one did.
    """

    machine: MachineView
    service: str
    day: date
    last_day: date
    due: date | None
    hours: float | None
    people: int | None
    crews: tuple[int, ...]
    strokes_unused: float
    strokes_late: float
    strokes_lost: float
    chance_late: float
    in_stop: bool
    also: tuple[str, ...]
    pin: Pin | None


@dataclass(frozen=True)
class NotPlaced:
    """A service that falls due within the plan and has no day in it."""

    machine: MachineView
    service: str
    due: date
    why: str


@dataclass(frozen=True)
class ServicePlan:
    """The plan as of an instant.

    Attributes:
        inputs: what it rests on.
        planning: crews, days and weights it was made with.
        lines: its services by day, line and machine.
        not_placed: what has no day.
        solution: costs, and what is proven.
        unpinned_cost: what the best plan without any promise costs; None: nothing is promised.
    """

    inputs: PlanInputs
    planning: Planning
    lines: tuple[PlanLine, ...]
    not_placed: tuple[NotPlaced, ...]
    solution: Solution
    unpinned_cost: float | None

    @property
    def as_of(self) -> datetime:
        """The instant, UTC."""
        return self.inputs.as_of

    @property
    def today(self) -> date:
        """The day of the instant on the plant's clock; the plan begins on the next."""
        return self.inputs.problem.days[0]

    @property
    def last_day(self) -> date:
        """The last day that is planned."""
        return self.inputs.problem.days[-1]

    @property
    def cost_of_pins(self) -> float | None:
        """What the promises cost together, in weighted strokes; None: nothing is promised."""
        if self.unpinned_cost is None:
            return None
        return max(self.solution.costs.total - self.unpinned_cost, 0.0)


def asked_planning(
    session: Session, crews: int | None = None, horizon_days: int | None = None
) -> Planning:
    """How the plant plans its services, with other crews or days where those are asked for."""
    said = planning(session)
    return replace(
        said,
        crews=said.crews if crews is None else crews,
        horizon_days=said.horizon_days if horizon_days is None else horizon_days,
    )


def settled_instant(session: Session, present: datetime) -> datetime:
    """The latest instant at which something became known that changes plans at once.

    That is the beginning of the present hour, or what was recorded of services, promises and
    planned periods since. Who looks twice within an hour then sees one plan, and waits once.

    Args:
        session: an open session.
        present: UTC.
    """
    moments = [hour_of(present, the_plant(session).zone)]
    for column in (
        *(Service.done_at, ServicePin.pinned_at, ServicePin.ended_at),
        *(PlannedPeriod.announced_at, PlannedPeriod.withdrawn_at),
    ):
        found = session.execute(select(func.max(column)).where(column <= present)).scalar()
        moments += [found] if found is not None else []
    return max(moments)


def plan_services(
    session: Session,
    as_of: datetime,
    asked: Planning,
    time_limit: float = TIME_LIMIT_SECONDS,
) -> ServicePlan:
    """The best plan of services, or the best one found in the time.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        asked: crews, days and weights.
        time_limit: seconds for each of the two plans that are made where something is promised.
    """
    return plan_of(read_inputs(session, as_of, asked), asked, time_limit)


def plan_of(
    inputs: PlanInputs, asked: Planning, time_limit: float = TIME_LIMIT_SECONDS
) -> ServicePlan:
    """The best plan for what was read; see `plan_services`."""
    tables = PlanTables(inputs.problem)
    solution = memory.best_plan(tables, time_limit)
    unpinned = None
    if inputs.problem.promised:
        free = PlanTables(replace(inputs.problem, promised=()))
        unpinned = memory.best_plan(free, time_limit).costs.total
    waiting = tuple(
        NotPlaced(
            inputs.machines[one.machine],
            inputs.levels[one.machine][one.duty].level.service,
            inputs.problem.days[0] + timedelta(days=one.due),
            why_waiting(tables, solution.plan, one),
        )
        for one in solution.costs.waiting
    )
    return ServicePlan(inputs, asked, _lines(inputs, solution), waiting, solution, unpinned)


def _lines(inputs: PlanInputs, solution: Solution) -> tuple[PlanLine, ...]:
    crews = crews_of(inputs.problem, solution.costs.services)
    pins = dict(zip(inputs.problem.promised, inputs.kept, strict=True))
    return tuple(
        _line(inputs, one, crews[one.placed], pins.get(one.placed))
        for one in solution.costs.services
    )


def _line(
    inputs: PlanInputs, one: PlannedService, crews: tuple[int, ...], pin: Pin | None
) -> PlanLine:
    days, own = inputs.problem.days, inputs.levels[one.placed.machine]
    level = own[one.placed.duty].level
    due = None if one.own.due is None else days[0] + timedelta(days=one.own.due)
    return PlanLine(
        inputs.machines[one.placed.machine],
        level.service,
        days[one.span.first],
        days[one.span.last],
        due,
        level.hours,
        level.people,
        crews,
        one.own.unused,
        one.own.late,
        one.lost,
        one.own.chance_late,
        one.in_stop,
        tuple(own[other.duty].level.service for other in one.others),
        pin,
    )


def crews_of(
    problem: PlanProblem, services: Sequence[PlannedService]
) -> dict[Placed, tuple[int, ...]]:
    """Which crews do which service: the first ones that are free on all its days.

    Args:
        problem: the problem.
        services: of a plan, by day; there are crews enough on every day.
    """
    busy_until = [-1] * problem.crews
    found: dict[Placed, tuple[int, ...]] = {}
    for one in services:
        free = [crew for crew in range(problem.crews) if busy_until[crew] < one.span.first]
        chosen = free[: crews_needed(problem.duty(one.placed), problem.crew_people)]
        for crew in chosen:
            busy_until[crew] = one.span.last
        found[one.placed] = tuple(crew + 1 for crew in chosen)
    return found


__all__ = [
    "BrokenPromise",
    "LeftOut",
    "NotPlaced",
    "PlanLine",
    "ServicePlan",
    "asked_planning",
    "plan_of",
    "plan_services",
    "settled_instant",
]
