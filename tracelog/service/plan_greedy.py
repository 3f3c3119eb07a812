"""A plan made as people make it by hand: whatever is due first gets the last free day before it.

A higher level that falls due soon after is done instead. It is where the search for the best plan
begins, and what the best plan is compared with.
"""

import heapq
from collections.abc import Sequence

from tracelog.service.plan_rules import Placed, PlanProblem, Span, crews_needed
from tracelog.service.plan_tables import GRACE_DAYS, PlanTables


class Occupied:
    """Which days of crews and lines are taken.

    Args:
        problem: whose crews and lines.
    """

    def __init__(self, problem: PlanProblem) -> None:
        self._problem = problem
        self._crews = [0] * len(problem.days)
        self._lines: dict[tuple[int, int], Placed] = {}

    def is_free(self, placed: Placed, span: Span) -> bool:
        """Whether a service has its crews and its line on all its days."""
        needed = crews_needed(self._problem.duty(placed), self._problem.crew_people)
        line = self._problem.machines[placed.machine].line
        return all(
            self._crews[day] + needed <= self._problem.crews for day in span.working
        ) and not any((line, day) in self._lines for day in range(span.first, span.last + 1))

    def take(self, placed: Placed, span: Span) -> None:
        """Take the days of a service."""
        needed = crews_needed(self._problem.duty(placed), self._problem.crew_people)
        for day in span.working:
            self._crews[day] += needed
        line = self._problem.machines[placed.machine].line
        for day in range(span.first, span.last + 1):
            self._lines[line, day] = placed

    def crews_left(self, day: int) -> int:
        """How many crews have nothing to do on a day."""
        return self._problem.crews - self._crews[day]

    def on_line(self, line: int, day: int) -> Placed | None:
        """The service that a line has on a day."""
        return self._lines.get((line, day))


def earliest_due_first(tables: PlanTables) -> list[Placed]:
    """Services in order of their due dates, each on the last free day up to it, else the next.

    Args:
        tables: of the problem.

    Returns:
        A plan that keeps to all that plans must keep to; what has no place is left out.
    """
    problem, plan = tables.problem, list(tables.problem.promised)
    occupied = Occupied(problem)
    for pin in plan:
        occupied.take(pin, tables.spans[pin])
    waiting: list[tuple[int, int, int, int]] = []
    for number, of in enumerate(problem.machines):
        for place in range(len(of.duties)):
            _await(tables, waiting, plan, number, place, 0)
    while waiting:
        due, machine, duty, since = heapq.heappop(waiting)
        until = _next_reset(tables, plan, machine, duty, since)
        if until <= due:
            continue  # it is done in time, with a higher level
        level = _highest_due_soon(tables, plan, machine, duty, due)
        placed = _place(tables, occupied, plan, (machine, level, since, until), due)
        if placed is None and level != duty:
            placed = _place(tables, occupied, plan, (machine, duty, since, until), due)
        if placed is None:
            continue
        plan.append(placed)
        span = tables.spans[placed]
        occupied.take(placed, span)
        for done in problem.duty(placed).does:
            _await(tables, waiting, plan, machine, done, span.last + 1)
    return plan


def _resets(
    tables: PlanTables, plan: Sequence[Placed], machine: int, duty: int
) -> list[tuple[int, int]]:
    """First day and the row after it, of every service of the plan that does a duty."""
    return sorted(
        (tables.spans[placed].first, tables.spans[placed].last + 1)
        for placed in plan
        if placed.machine == machine and duty in tables.problem.duty(placed).does
    )


def _next_reset(
    tables: PlanTables, plan: Sequence[Placed], machine: int, duty: int, since: int
) -> int:
    later = [first for first, _row in _resets(tables, plan, machine, duty) if first >= since]
    return min(later, default=tables.problem.last + 1)


def _last_reset(
    tables: PlanTables, plan: Sequence[Placed], machine: int, duty: int, until: int
) -> int:
    before = [row for first, row in _resets(tables, plan, machine, duty) if first < until]
    return max(before, default=0)


def _await(
    tables: PlanTables,
    waiting: list[tuple[int, int, int, int]],
    plan: Sequence[Placed],
    machine: int,
    duty: int,
    since: int,
) -> None:
    """Put down when a duty falls due next, passing by services that are promised in time."""
    while True:
        due = tables.due_day(machine, duty, since)
        if due is None or due > tables.problem.last:
            return
        following = [one for one in _resets(tables, plan, machine, duty) if one[0] >= since]
        if not following or following[0][0] > due:
            heapq.heappush(waiting, (due, machine, duty, since))
            return
        since = following[0][1]


def _highest_due_soon(
    tables: PlanTables, plan: Sequence[Placed], machine: int, duty: int, due: int
) -> int:
    """The highest level that does a duty and falls due by itself within two weeks after it."""
    found = duty
    for level, one in enumerate(tables.problem.machines[machine].duties):
        since = _last_reset(tables, plan, machine, level, max(due, 0))
        own = tables.due_day(machine, level, since)
        is_higher = len(one.does) > len(tables.problem.machines[machine].duties[found].does)
        if duty in one.does and is_higher and own is not None and own <= due + GRACE_DAYS:
            found = level
    return found


def _place(
    tables: PlanTables,
    occupied: Occupied,
    plan: Sequence[Placed],
    stretch: tuple[int, int, int, int],
    due: int,
) -> Placed | None:
    """The last free day up to the due day, else the first after it, within a stretch."""
    machine, duty, since, until = stretch
    spans = tables.by_duty.get((machine, duty), {})
    begin = max(since, 1)
    up_to_due = range(min(due, until - 1), begin - 1, -1)
    after = range(max(due + 1, begin), until)
    for day in [*up_to_due, *after]:
        placed, span = Placed(machine, duty, day), spans.get(day)
        if span is None or span.last >= until or not occupied.is_free(placed, span):
            continue
        if _keeps_limits(tables, [*plan, placed], machine):
            return placed
    return None


def _keeps_limits(tables: PlanTables, plan: Sequence[Placed], machine: int) -> bool:
    """Whether every stretch between services of a machine is one that plans may have."""
    for duty in range(len(tables.problem.machines[machine].duties)):
        since = 0
        for first, row in _resets(tables, plan, machine, duty):
            if tables.arcs(machine, duty).cost[since, first] == float("inf"):
                return False
            since = row
    return True
