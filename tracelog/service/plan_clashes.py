"""Why a service cannot stand on a day, and why one has no day at all: in one sentence each."""

from collections import Counter
from collections.abc import Sequence

from tracelog.language import _
from tracelog.service.plan_costs import Waiting
from tracelog.service.plan_greedy import Occupied
from tracelog.service.plan_rules import Placed, PlanProblem, crews_needed, span_of, work_days
from tracelog.service.plan_tables import GRACE_DAYS, PlanTables

# From so many days before it falls due, days are looked at for a service that found none.
_LOOK_BACK_DAYS = 14
_MOST_NAMES = 4


def clash(problem: PlanProblem, placed: Placed, others: Sequence[Placed]) -> str | None:
    """Why a service cannot stand on its day beside others; None: it can.

    Args:
        problem: the problem; what it holds as promised plays no part.
        placed: the service.
        others: those that have their days already.
    """
    machine, day = problem.machines[placed.machine], problem.days[placed.day]
    if not problem.works[placed.day]:
        return _("%(day)s is no day on which services are done", day=day)
    if (few := _too_few(problem, placed)) is not None:
        return few
    span = span_of(problem, placed)
    if span is None:
        return _no_span(problem, placed)
    occupied = _occupied(problem, others)
    for number in range(span.first, span.last + 1):
        there = occupied.on_line(machine.line, number)
        if there is not None:
            return _(
                "line %(line)d has %(service)s on %(day)s already, and one machine of a line is"
                " served at a time",
                line=machine.line,
                service=_named(problem, there),
                day=problem.days[number],
            )
    needed = crews_needed(problem.duty(placed), problem.crew_people)
    for number in span.working:
        if occupied.crews_left(number) < needed:
            return _(
                "on %(day)s the crews are taken by %(services)s",
                day=problem.days[number],
                services=_names(problem, _on(problem, others, number)),
            )
    return None


def _occupied(problem: PlanProblem, plan: Sequence[Placed]) -> Occupied:
    occupied = Occupied(problem)
    for placed in plan:
        span = span_of(problem, placed)
        if span is not None:
            occupied.take(placed, span)
    return occupied


def _too_few(problem: PlanProblem, placed: Placed) -> str | None:
    duty = problem.duty(placed)
    if crews_needed(duty, problem.crew_people) <= problem.crews:
        return None
    return _(
        "%(service)s takes %(people)d people; %(crews)d crews of %(each)d are too few",
        service=duty.service,
        people=duty.people or 0,
        crews=problem.crews,
        each=problem.crew_people or 0,
    )


def _no_span(problem: PlanProblem, placed: Placed) -> str:
    """Why a service cannot run from its day to its end."""
    blocked, duty = problem.machines[placed.machine].blocked, problem.duty(placed)
    wanted = work_days(duty, problem.crew_hours)
    for day in range(placed.day, problem.last + 1):
        worked = sum(problem.works[placed.day : day + 1])
        if blocked[day] is not None:
            return _(
                "%(day)s is kept free of services: %(reason)s",
                day=problem.days[day],
                reason=blocked[day],
            )
        if worked >= wanted:
            break
    return _(
        "%(service)s takes %(days)d working days and would not end by %(last)s",
        service=duty.service,
        days=wanted,
        last=problem.days[-1],
    )


def _on(problem: PlanProblem, plan: Sequence[Placed], day: int) -> list[Placed]:
    """The services of a plan at which crews work on a day."""
    found = []
    for placed in plan:
        span = span_of(problem, placed)
        if span is not None and day in span.working:
            found.append(placed)
    return found


def _named(problem: PlanProblem, placed: Placed) -> str:
    return f"{problem.machines[placed.machine].name} {problem.duty(placed).service}"


def _names(problem: PlanProblem, services: Sequence[Placed]) -> str:
    names = [_named(problem, one) for one in dict.fromkeys(services)]
    more = len(names) - _MOST_NAMES
    listed = ", ".join(names[:_MOST_NAMES])
    return _("%(listed)s and %(more)d more", listed=listed, more=more) if more > 0 else listed


def why_waiting(tables: PlanTables, plan: Sequence[Placed], waiting: Waiting) -> str:
    """Why a duty that falls due has no day in a plan.

    Args:
        tables: of the problem.
        plan: the services that have their days.
        waiting: the duty.

    Returns:
        A sentence about the days from two weeks before it falls due to the last one.
    """
    problem = tables.problem
    wished = Placed(waiting.machine, waiting.duty, max(waiting.since, 1))
    if (few := _too_few(problem, wished)) is not None:
        return few
    first = min(max(waiting.since, waiting.due - _LOOK_BACK_DAYS, 1), problem.last)
    occupied = _occupied(problem, plan)
    found = [
        (day, *_why_not(problem, plan, occupied, wished._replace(day=day)))
        for day in range(first, problem.last + 1)
    ]
    free = [day for day, why, _who in found if why == "free"]
    ends = {"first": problem.days[first], "last": problem.days[-1]}
    if free:
        return _(
            "on the days that are free between %(first)s and %(last)s, such as %(free)s, it would"
            " cost more than waiting %(grace)d days longer",
            free=problem.days[free[0]],
            grace=GRACE_DAYS,
            **ends,
        )
    counts = Counter(why for _day, why, _who in found)
    said = [_said(problem, why, many, found) for why, many in counts.most_common()]
    return _(
        "no day from %(first)s to %(last)s is left for it: %(why)s", why="; ".join(said), **ends
    )


def _why_not(
    problem: PlanProblem, plan: Sequence[Placed], occupied: Occupied, placed: Placed
) -> tuple[str, tuple[Placed, ...] | str]:
    """What keeps a service from beginning on a day, and who or why."""
    if not problem.works[placed.day]:
        return "rest", ()
    span = span_of(problem, placed)
    if span is None:
        reasons = problem.machines[placed.machine].blocked[placed.day :]
        reason = next((one for one in reasons if one is not None), None)
        is_blocked = problem.machines[placed.machine].blocked[placed.day] is not None
        return ("blocked", reason or "") if is_blocked or reason else ("long", ())
    line = problem.machines[placed.machine].line
    on_line = [occupied.on_line(line, day) for day in range(span.first, span.last + 1)]
    busy = tuple(dict.fromkeys(one for one in on_line if one is not None))
    if busy:
        return "line", busy
    needed = crews_needed(problem.duty(placed), problem.crew_people)
    short = [day for day in span.working if occupied.crews_left(day) < needed]
    if short:
        return "crews", tuple(_on(problem, plan, short[0]))
    return "free", ()


def _said(
    problem: PlanProblem,
    why: str,
    many: int,
    found: Sequence[tuple[int, str, tuple[Placed, ...] | str]],
) -> str:
    who = [one for _day, reason, one in found if reason == why]
    services = [one for some in who if not isinstance(some, str) for one in some]
    named = _names(problem, services)
    if why == "rest":
        return _("on %(many)d no services are done", many=many)
    if why == "blocked":
        reasons = ", ".join(dict.fromkeys(one for one in who if isinstance(one, str) and one))
        return _("%(many)d are kept free of services (%(reasons)s)", many=many, reasons=reasons)
    if why == "long":
        return _("on %(many)d it would not end in time", many=many)
    if why == "line":
        return _("on %(many)d its line has another service (%(named)s)", many=many, named=named)
    return _("on %(many)d the crews are taken (%(named)s)", many=many, named=named)
