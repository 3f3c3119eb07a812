"""The best plan of services: an integer programme, and the proof of how good its answer is.

A variable for each service that may begin on a day (whole numbers), and one for each step of a
duty from one reset to the next (these follow). What leads to a reset and away from it equals the
services that do it; crews and lines are taken once. Solved by HiGHS (Huangfu and Hall 2018,
Parallelizing the dual revised simplex method), by branching until the best plan and the bound on
all plans meet.

Where levels contain each other one by one, as they mostly do, prices of the days come first
(`plan_prices`). They bound every plan from below, and say of each service and step how much the
bound rises if it is used. What raises it above a plan that is known to exist is in no best plan
and is left out, so that the programme is small and its answer is that of the whole one.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tracelog.service.plan_costs import PlanCosts, costs_of
from tracelog.service.plan_greedy import earliest_due_first
from tracelog.service.plan_insertion import Insertion
from tracelog.service.plan_prices import Bound, Days, Market, best_prices, chains_in
from tracelog.service.plan_rules import FloatArray, Placed, in_order
from tracelog.service.plan_tables import MILLION, PlanTables

# A plan that costs no more than this share above what is proven counts as the best one.
PROVEN = 1e-6
TIME_LIMIT_SECONDS = 10.0
# Of the time, so much at most for prices.
_SHARE_FOR_PRICES = 0.7
# A plan that costs so much above the bound, as a share of it, is worth another way to find one.
_WIDE = 5e-3
# Prices so near to the best ones tell which services are worth looking at.
_NEAR = 0.03
# How far above what prices found services are looked at first, as a share of it.
_FIRST_MARGIN = 2e-3


@dataclass(frozen=True)
class Solution:
    """A plan and what is known of it.

    Attributes:
        plan: its services, in order.
        costs: looked at closely.
        bound: no plan costs less, in weighted strokes.
        gap: how much more this plan costs than the bound at most, as a share of its cost.
        is_optimal: no plan costs less than this one.
        seconds: how long it took.
    """

    plan: tuple[Placed, ...]
    costs: PlanCosts
    bound: float
    gap: float
    is_optimal: bool
    seconds: float


class _Programme:
    """The integer programme over some of the services and steps.

    Args:
        tables: of the problem.
        days: of the same.
        services: whether each option is looked at.
        steps: for machine and duty, whether each step is, by [row, column].
    """

    def __init__(
        self,
        tables: PlanTables,
        days: Days,
        services: Any,
        steps: dict[tuple[int, int], Any],
    ) -> None:
        self._tables, self._days = tables, days
        self.options = [one for one, chosen in zip(days.options, services, strict=True) if chosen]
        self._chosen = np.flatnonzero(services)
        self._costs: list[FloatArray] = [days.own[self._chosen]]
        self._entries: list[tuple[Any, Any, Any]] = []
        self._sides: list[float] = []
        self._width = len(self.options)
        for (machine, duty), are_chosen in steps.items():
            self._add_duty(machine, duty, are_chosen)

    def _add_duty(self, machine: int, duty: int, are_chosen: Any) -> None:
        """What leads to each reset of a duty, and away from it, equals the services that do it."""
        tables, last = self._tables, self._tables.problem.last
        doing = [
            (place, option.day, tables.spans[option].last + 1)
            for place, option in enumerate(self.options)
            if option.machine == machine and duty in tables.problem.duty(option).does
        ]
        arrives = {day: place for place, day in enumerate(sorted({one[1] for one in doing}))}
        leaves = {row: place for place, row in enumerate([0, *sorted({one[2] for one in doing})])}
        cost = tables.arcs(machine, duty).cost
        is_there = are_chosen & np.isfinite(cost)
        rows, columns = np.nonzero(is_there[list(leaves)][:, [*arrives, last + 1]])
        variables = np.arange(len(rows)) + self._width
        self._costs.append(cost[list(leaves)][:, [*arrives, last + 1]][rows, columns] / MILLION)
        first = len(self._sides)
        ends = columns < len(arrives)
        self._enter(first + rows, variables, 1.0)
        self._enter(first + len(leaves) + columns[ends], variables[ends], 1.0)
        places = np.array([one[0] for one in doing], dtype=int)
        self._enter(first + np.array([leaves[one[2]] for one in doing], dtype=int), places, -1.0)
        arrived = np.array([arrives[one[1]] for one in doing], dtype=int)
        self._enter(first + len(leaves) + arrived, places, -1.0)
        self._sides += [1.0] + [0.0] * (len(leaves) - 1 + len(arrives))
        self._width += len(rows)

    def _enter(self, rows: Any, columns: Any, value: float) -> None:
        self._entries.append((rows, columns, np.full(len(rows), value)))

    def solve(self, seconds: float) -> tuple[tuple[Placed, ...] | None, float]:
        """The best plan of these services, None if none was found in time, and the bound on them.

        Args:
            seconds: how long it may take.
        """
        from scipy import sparse
        from scipy.optimize import Bounds, LinearConstraint, milp

        rows, columns, values = (np.concatenate(one) for one in zip(*self._entries, strict=True))
        shape = (len(self._sides), self._width)
        flows = sparse.csr_matrix((values, (rows, columns)), shape)
        taken = sparse.csr_matrix(self._days.taken[:, self._chosen])
        taken.resize((taken.shape[0], self._width))
        is_service = np.arange(self._width) < len(self.options)
        pinned = self._tables.problem.pinned
        low = np.zeros(self._width)
        low[: len(self.options)] = [option in pinned for option in self.options]
        solved = milp(
            np.concatenate(self._costs),
            integrality=is_service,
            bounds=Bounds(low, 1.0),
            constraints=[
                LinearConstraint(flows, self._sides, self._sides),
                LinearConstraint(taken, -np.inf, self._days.there),
            ],
            options={"time_limit": max(seconds, 0.1), "mip_rel_gap": PROVEN / 2},
        )
        bound = solved.mip_dual_bound
        bound = -np.inf if bound is None else float(bound)
        if solved.x is None:
            return None, (np.inf if solved.status == 2 else bound)
        chosen = zip(self.options, solved.x, strict=False)
        return tuple(option for option, share in chosen if share > 0.5), bound


def best_plan(tables: PlanTables, time_limit: float = TIME_LIMIT_SECONDS) -> Solution:
    """The plan that costs least, or the best one found in the time, with what is proven.

    Args:
        tables: of the problem.
        time_limit: seconds after which the best plan so far is the answer.
    """
    began = time.monotonic()
    search = _Search(tables, began + time_limit)
    search.run()
    plan = in_order(search.plan)
    costs = costs_of(tables, plan)
    bound = min(max(search.bound * MILLION, 0.0), costs.total)
    gap = (costs.total - bound) / max(costs.total, 1.0)
    return Solution(plan, costs, bound, gap, gap <= PROVEN, time.monotonic() - began)


class _Search:
    """The search for the best plan of one problem, and where it stands."""

    def __init__(self, tables: PlanTables, deadline: float) -> None:
        self._tables, self._deadline = tables, deadline
        self.plan: Sequence[Placed] = earliest_due_first(tables)
        self._cost = costs_of(tables, self.plan).total / MILLION
        self.bound = -np.inf

    def run(self) -> None:
        """Search until the best plan is found and proven, or the time is up."""
        if not self._tables.options:
            self.bound = self._cost
            return
        days, chains = Days(self._tables), chains_in(self._tables.problem)
        if chains is None:
            self._solve_whole(days)
            return
        began = time.monotonic()
        until = began + _SHARE_FOR_PRICES * (self._deadline - began)
        market = Market(self._tables, days, chains)
        found = best_prices(self._tables, days, market, self.plan, until)
        self.bound = found.value
        if found.plan is not None:
            self._take(found.plan)
        if found.total - found.value <= _NEAR * abs(found.total):
            self._close(days, found)
        if self._cost - self.bound > _WIDE * abs(self._cost):
            self._take(Insertion(self._tables, days, chains).plan(found.prices))

    def _close(self, days: Days, found: Bound) -> None:
        """Look at ever more services, until no other could be in a better plan."""
        margin = found.total - found.value + _FIRST_MARGIN * abs(found.total)
        margin = min(margin, self._cost - found.value)
        while not self._is_proven and time.monotonic() < self._deadline:
            self._solve_within(days, found, margin)
            margin = max(self._cost - found.value, margin) * (1 + 1e-9)

    @property
    def _is_proven(self) -> bool:
        return self._cost - self.bound <= PROVEN * max(abs(self._cost), 1 / MILLION)

    def _take(self, plan: Sequence[Placed]) -> None:
        cost = costs_of(self._tables, plan).total / MILLION
        if cost < self._cost:
            self.plan, self._cost = plan, cost

    def _solve_within(self, days: Days, found: Bound, margin: float) -> None:
        """Look at what may be in a plan that costs no more than the margin above the bound."""
        most = found.value + margin * (1 + 1e-9) + 1e-9
        steps = {key: (most >= one).T for key, one in found.steps.items()}
        programme = _Programme(self._tables, days, found.services <= most, steps)
        plan, bound = programme.solve(self._deadline - time.monotonic())
        if plan is not None:
            self._take(plan)
        # A plan with anything else costs more than the margin.
        self.bound = max(self.bound, min(bound, most))

    def _solve_whole(self, days: Days) -> None:
        machines = self._tables.problem.machines
        count = self._tables.problem.last + 2
        steps = {
            (number, duty): np.ones((count, count), dtype=bool)
            for number, machine in enumerate(machines)
            for duty in range(len(machine.duties))
        }
        programme = _Programme(self._tables, days, np.ones(len(days.options), dtype=bool), steps)
        plan, self.bound = programme.solve(self._deadline - time.monotonic())
        if plan is not None:
            self._take(plan)
