"""What a given plan costs, part by part, computed from nothing but the services it names."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from tracelog.service.plan_rules import (
    Leg,
    Placed,
    PlanProblem,
    Span,
    is_in_stop,
    legs_of,
    strokes_lost,
)
from tracelog.service.plan_tables import STROKES_A_DAY_LATER, PlanTables


@dataclass(frozen=True)
class PlannedDuty:
    """One duty that a service of the plan does.

    Attributes:
        duty: its place among the machine's.
        unused: strokes expected to be left of its interval.
        late: strokes expected beyond it.
        chance_late: that the interval is used up by then.
        due: the day on which it falls due, counted from day 0; negative: before. None: never.
    """

    duty: int
    unused: float
    late: float
    chance_late: float
    due: int | None


@dataclass(frozen=True)
class PlannedService:
    """One service of a plan.

    Attributes:
        placed: machine, duty and day.
        span: the days it takes.
        own: how its own duty stands on that day.
        others: those that it does as well.
        lost: strokes not made while the machine stands.
        in_stop: planned stops cover its hours.
    """

    placed: Placed
    span: Span
    own: PlannedDuty
    others: tuple[PlannedDuty, ...]
    lost: float
    in_stop: bool


class Waiting(NamedTuple):
    """A duty that falls due by the last day and is not in the plan.

    `since` as the rows of `Standing`; `due` is the day, counted from day 0, negative: before it.
    """

    machine: int
    duty: int
    since: int
    due: int


@dataclass(frozen=True)
class PlanCosts:
    """A plan looked at closely; costs are weighted strokes.

    Attributes:
        services: in order of day, machine and duty.
        waiting: what is due and not in the plan.
        unused, late, lost: what the services cost.
        beyond: what is expected beyond intervals after the last services, and what waits.
        order: a stroke for each day that a service stands later.
    """

    services: tuple[PlannedService, ...]
    waiting: tuple[Waiting, ...]
    unused: float
    late: float
    lost: float
    beyond: float
    order: float

    @property
    def total(self) -> float:
        """What the plan costs."""
        return self.unused + self.late + self.lost + self.beyond + self.order


def costs_of(tables: PlanTables, plan: Sequence[Placed]) -> PlanCosts:
    """What a plan costs.

    Args:
        tables: of the problem.
        plan: its services, in any order.

    Raises:
        KeyError: no plan may hold one of them.
        ValueError: one comes later than any plan may set it.
    """
    problem = tables.problem
    spans = [(placed, tables.spans[placed]) for placed in plan]
    done: dict[Placed, list[PlannedDuty]] = {placed: [] for placed in plan}
    waiting: list[Waiting] = []
    beyond = 0.0
    for machine, duty, leg in _legs(problem, spans):
        arcs = tables.arcs(machine, duty)
        cost = float(arcs.cost[leg.since, leg.until])
        if cost == float("inf"):
            raise ValueError(f"{leg.ended_by} comes later than a plan may set it")
        if leg.ended_by is not None:
            done[leg.ended_by].append(_planned_duty(tables, machine, duty, leg))
            continue
        beyond += cost
        if arcs.is_due[leg.since]:
            due = tables.due_day(machine, duty, leg.since)
            waiting.append(Waiting(machine, duty, leg.since, problem.last if due is None else due))
    services = tuple(
        _planned_service(problem, placed, span, done[placed])
        for placed, span in sorted(spans, key=lambda one: (one[0].day, one[0]))
    )
    weights, duties = problem.weights, [one for found in done.values() for one in found]
    return PlanCosts(
        services,
        tuple(waiting),
        weights.unused * sum(one.unused for one in duties),
        weights.late * sum(one.late for one in duties),
        weights.lost * sum(one.lost for one in services),
        beyond,
        STROKES_A_DAY_LATER * sum(placed.day for placed in plan),
    )


def _legs(
    problem: PlanProblem, spans: Sequence[tuple[Placed, Span]]
) -> Iterator[tuple[int, int, Leg]]:
    for number, machine in enumerate(problem.machines):
        own = [(placed, span) for placed, span in spans if placed.machine == number]
        for duty in range(len(machine.duties)):
            for leg in legs_of(problem, number, duty, own):
                yield number, duty, leg


def _planned_duty(tables: PlanTables, machine: int, duty: int, leg: Leg) -> PlannedDuty:
    standing = tables.arcs(machine, duty).standing
    place = leg.since, leg.until
    return PlannedDuty(
        duty,
        float(standing.unused[place]),
        float(standing.late[place]),
        float(standing.chance[place]),
        tables.due_day(machine, duty, leg.since),
    )


def _planned_service(
    problem: PlanProblem, placed: Placed, span: Span, duties: Sequence[PlannedDuty]
) -> PlannedService:
    (own,) = [one for one in duties if one.duty == placed.duty]
    others = tuple(one for one in duties if one.duty != placed.duty)
    lost, in_stop = strokes_lost(problem, placed, span), is_in_stop(problem, placed, span)
    return PlannedService(placed, span, own, others, lost, in_stop)
