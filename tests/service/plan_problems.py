"""Small problems of planning services, and the best plan of one by trying every plan there is.

What a plan costs is computed here once more from its definition, one number at a time, so that
the tables of the program are not compared with themselves.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise, product
from math import erf, exp, inf, pi, sqrt
from typing import Any

import numpy as np

from tracelog.service.plan_rules import (
    Duty,
    Placed,
    PlanMachine,
    PlanProblem,
    Span,
    Weights,
    crews_needed,
    span_of,
)
from tracelog.service.plan_tables import GRACE_DAYS, LEAST_USED_SHARE, MOST_LATE_SHARE

MONDAY = date(2026, 3, 2)
MILLION = 1_000_000.0
Interval = tuple[Span, Placed]


def duty(service: str = "minor", does: Sequence[int] = (0,), **more: Any) -> Duty:
    """A duty of 20 million strokes with half of them left, four hours, unless said otherwise."""
    values: dict[str, Any] = {
        "service": service,
        "interval_strokes": 20 * MILLION,
        "interval_days": None,
        "strokes_left": 10 * MILLION,
        "days_left": None,
        "hours": 4.0,
        "people": None,
        "due": None,
    }
    return Duty(**{**values, **more}, does=frozenset(does))


def machine(
    name: str,
    duties: Sequence[Duty],
    last: int,
    *,
    a_day: float | Sequence[float] = MILLION,
    deviation: float = 0.1,
    stopped: Sequence[int] = (),
    blocked: Sequence[int] = (),
) -> PlanMachine:
    """A machine of the line its name begins with; each day strays by itself by `deviation`."""
    made = np.full(last + 1, a_day, dtype=float)
    made[list(stopped)] = 0.0
    strokes = np.concatenate([[0.0], np.cumsum(made)])
    variance = np.concatenate([[0.0], np.cumsum((deviation * made) ** 2)])
    spread = np.sqrt(np.maximum(variance[None, :] - variance[:, None], 0.0))
    up = np.full(last + 1, 24.0)
    up[list(stopped)] = 0.0
    reasons = tuple("stock count" if day in blocked else None for day in range(last + 1))
    usual = float(np.mean(a_day))
    line = int(name.split("-", maxsplit=1)[0])
    known = tuple(replace(one, due=_due(one, strokes, usual)) for one in duties)
    return PlanMachine(name, line, known, strokes, spread, usual, up, 24.0 - up, reasons)


def _due(work: Duty, strokes: Any, usual: float) -> int | None:
    """The day in whose course the first interval ends on average, as far as anybody can say."""
    found = []
    if work.strokes_left is not None and usual > 0:
        later = int(work.strokes_left // usual)
        found.append(next((d - 1 for d, n in enumerate(strokes) if n > work.strokes_left), later))
    if work.days_left is not None:
        found.append(work.days_left)
    return min(found, default=None)


def problem(machines: Sequence[PlanMachine], **more: Any) -> PlanProblem:
    """One crew of any number of people, twelve hours on every day, unless said otherwise."""
    last = len(machines[0].strokes) - 2
    values: dict[str, Any] = {
        "days": tuple(MONDAY + timedelta(days=number) for number in range(last + 1)),
        "works": (True,) * (last + 1),
        "machines": tuple(machines),
        "crews": 1,
        "crew_people": None,
        "crew_hours": 12.0,
        "weights": Weights(),
        "promised": (),
    }
    return PlanProblem(**{**values, **more})


def faults(asked: PlanProblem, plan: Sequence[Placed]) -> list[str]:
    """What a plan does that no plan may, in words of this test alone."""
    found = [f"{pin} was promised" for pin in asked.promised if pin not in plan]
    crews: dict[int, int] = {}
    lines: dict[tuple[int, int], Placed] = {}
    for placed in plan:
        span, line = span_of(asked, placed), asked.machines[placed.machine].line
        found += _own_faults(asked, placed, span)
        if span is None:
            continue
        for day in span.working:
            needed = crews_needed(asked.duty(placed), asked.crew_people)
            crews[day] = crews.get(day, 0) + needed
        for day in range(span.first, span.last + 1):
            if (line, day) in lines:
                found.append(f"{placed} and {lines[line, day]} on one line")
            lines[line, day] = placed
    return found + [f"{used} crews on {day}" for day, used in crews.items() if used > asked.crews]


def _own_faults(asked: PlanProblem, placed: Placed, span: Span | None) -> list[str]:
    """What is wrong with a service, whatever else the plan holds."""
    found = []
    if placed.day == 0 and placed not in asked.promised:
        found.append(f"{placed} is today")
    if span is None:
        return [*found, f"{placed} cannot begin"]
    wanted = max(1, -int(-asked.duty(placed).hours // asked.crew_hours))
    between = [day for day in range(span.first, span.last + 1) if asked.works[day]]
    if list(span.working) != between or len(between) != wanted:
        found.append(f"{placed} works on {span.working}")
    if any(asked.machines[placed.machine].blocked[span.first : span.last + 1]):
        found.append(f"{placed} is blocked")
    return found


def _loss(mean: float, deviation: float, limit: float) -> tuple[float, float]:
    """Expected strokes up to a limit that are not made, and beyond it that are."""
    spread = max(deviation, 1e-3)
    z = (limit - mean) / spread
    beyond = spread * (exp(-z * z / 2) / sqrt(2 * pi) - z * 0.5 * (1 - erf(z / sqrt(2))))
    return max(beyond + limit - mean, 0.0), max(beyond, 0.0)


def _between(
    of: PlanMachine, work: Duty, since: int, until: int, fresh: bool, extra: int = 0
) -> tuple[float, float, float]:
    """Unused, late, and how far the mean is over, from the morning of one day to another's."""
    unused, late, over = inf, 0.0, -inf
    if work.interval_strokes is not None and work.strokes_left is not None:
        limit = work.interval_strokes if fresh else max(work.strokes_left, 0.0)
        mean = of.strokes[until] - of.strokes[since] + extra * of.daily
        unused, late = _loss(mean, of.deviation[since, until], limit)
        over = mean - limit + (0.0 if fresh else max(-work.strokes_left, 0.0))
    if work.interval_days is not None and work.days_left is not None:
        days = work.interval_days if fresh else max(work.days_left, 0)
        ahead = (until - since + extra - days) * of.daily
        unused, late = min(unused, max(-ahead, 0.0)), max(late, ahead)
        over = max(over, ahead)
        if not fresh and work.days_left < 0:
            over = max(over, -work.days_left * of.daily)
    return unused, late, over


def _length(of: PlanMachine, work: Duty) -> float:
    by_days = inf if work.interval_days is None else work.interval_days * of.daily
    return min(inf if work.interval_strokes is None else work.interval_strokes, by_days)


def _lost(asked: PlanProblem, of: PlanMachine, work: Duty, span: Span) -> float:
    lost, hours = 0.0, work.hours
    for day in range(span.first, span.last + 1):
        made = of.strokes[day + 1] - of.strokes[day]
        if day in span.working:
            here = max(min(hours, asked.crew_hours) - of.hours_stopped[day], 0.0)
            hours -= asked.crew_hours
            lost += made / of.hours_up[day] * min(here, of.hours_up[day]) if made else 0.0
        else:
            lost += made
    return lost


def machine_cost(asked: PlanProblem, number: int, own: Sequence[Interval]) -> float:
    """What the services of one machine cost, infinite where a plan may not set them so."""
    of, weights, total = asked.machines[number], asked.weights, 0.0
    for span, placed in own:
        total += weights.lost * _lost(asked, of, asked.duty(placed), span) + placed.day
        if placed not in asked.promised:
            work = asked.duty(placed)
            left = -_between(of, work, 0, placed.day, fresh=False)[2]
            if left > (1 - LEAST_USED_SHARE) * _length(of, work):
                return inf
    for place, work in enumerate(of.duties):
        since, fresh = 0, False
        for span, placed in own:
            if place not in asked.duty(placed).does:
                continue
            unused, late, over = _between(of, work, since, span.first, fresh)
            kept = any(
                pin.machine == number and pin.day == span.first and place in asked.duty(pin).does
                for pin in asked.promised
            )
            if fresh and over > MOST_LATE_SHARE * _length(of, work) and not kept:
                return inf
            total += weights.unused * unused + weights.late * late
            since, fresh = span.last, True
        total += _at_the_end(asked, of, work, since, fresh)
    return total


def _at_the_end(asked: PlanProblem, of: PlanMachine, work: Duty, since: int, fresh: bool) -> float:
    weights, end = asked.weights, asked.last + 1
    _unused, late, over = _between(of, work, since, end, fresh)
    if over <= 0:
        return weights.late * late
    waited = _between(of, work, since, end, fresh, GRACE_DAYS)[1]
    return weights.late * waited + weights.lost * work.hours * of.daily / 24


def _schedules(asked: PlanProblem, number: int) -> Iterator[tuple[float, tuple[Interval, ...]]]:
    """Every way to serve one machine, with its cost; pins are in each."""
    duties = range(len(asked.machines[number].duties))
    pins = {pin for pin in asked.promised if pin.machine == number}
    begins: list[list[Placed | None]] = []
    for day in range(asked.last + 1):
        options = [Placed(number, one, day) for one in duties]
        allowed = [one for one in options if one in pins or (day and span_of(asked, one))]
        begins.append([None, *allowed])
    for choice in product(*begins):
        chosen = [one for one in choice if one is not None]
        if not pins <= set(chosen):
            continue
        own = [(span, one) for one in chosen for span in [span_of(asked, one)] if span]
        if any(a[0].last >= b[0].first for a, b in pairwise(own)):
            continue
        cost = machine_cost(asked, number, own)
        if cost < inf:
            yield cost, tuple(own)


def cheapest_by_trying(asked: PlanProblem) -> float:
    """What the best plan costs, found by trying them all."""
    ways = [
        sorted(_schedules(asked, number), key=lambda way: way[0])
        for number in range(len(asked.machines))
    ]
    best = inf

    def go(number: int, spent: float, crews: dict[int, int], lines: set[tuple[int, int]]) -> None:
        nonlocal best
        if number == len(ways):
            best = min(best, spent)
            return
        line = asked.machines[number].line
        least = sum(one[0][0] for one in ways[number + 1 :])
        for cost, own in ways[number]:
            if spent + cost + least >= best:
                return
            takes = {(line, day) for span, _p in own for day in range(span.first, span.last + 1)}
            used = dict(crews)
            for span, placed in own:
                for day in span.working:
                    needed = crews_needed(asked.duty(placed), asked.crew_people)
                    used[day] = used.get(day, 0) + needed
            if takes & lines or any(many > asked.crews for many in used.values()):
                continue
            go(number + 1, spent + cost, used, lines | takes)

    go(0, 0.0, {}, set())
    return best
