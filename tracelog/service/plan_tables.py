"""What each duty costs between any two days, as tables that every plan is priced with.

What a plan costs, in strokes, each part with its weight:

* unused: what is expected to be left of an interval when its service is done, E[(R - S)+];
* late: what is expected to be made beyond an interval before its service, E[(S - R)+];
* lost: what the machine would have made while it stands for the service, outside planned stops.

S is normal with the mean and deviation of the forecast; with z = (R - mean) / deviation,
E[(S - R)+] = deviation (phi(z) - z (1 - Phi(z))), the loss function of the normal distribution
(inventory theory, e.g. Silver, Pyke and Thomas, Inventory and Production Management in Supply
Chains, on the unit normal distribution; from memory). A limit in days counts the machine's usual
strokes for each day; of two limits, the one that leaves less is what is left, and the one that is
passed by more is what is late. What was late before the instant cannot be helped and is left out.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tracelog.service.plan_rules import (
    Duty,
    FloatArray,
    Placed,
    PlanMachine,
    PlanProblem,
    Span,
    span_of,
    strokes_lost,
)

# What is due before the last day and not in the plan counts as done so many days after it, in
# running production. A guess, no source: long enough that whatever has a place gets it.
GRACE_DAYS = 14
# After a planned service, the next one is never planned later than this share of its interval
# beyond it. A guess, no source: ten times what the trade still calls on time.
MOST_LATE_SHARE = 0.5
# No service is planned before this share of the present interval is expected to be used. A guess,
# no source: five times what the trade still calls on time.
LEAST_USED_SHARE = 0.5
# Each day later costs this many strokes, so that of two equal days the earlier one is taken.
STROKES_A_DAY_LATER = 1.0
# Solvers are given millions of strokes, figures near one.
MILLION = 1e6


@dataclass(frozen=True)
class Standing:
    """A duty between one reset and the next service, for every pair of days.

    Rows: since when it counts: 0 from the instant, o > 0 from a service whose last day is o - 1.
    Columns: the day of the next service, the last column the end of the last day. Shape
    (H + 2, H + 2); what lies above the diagonal has no meaning.

    Attributes:
        unused: strokes expected to be left of the interval.
        late: strokes expected beyond it.
        chance: that the interval is used up by then.
        over: how far the mean is beyond the interval, in strokes; negative: within it. What was
            late at the instant is in it, though not in `late`.
    """

    unused: FloatArray
    late: FloatArray
    chance: FloatArray
    over: FloatArray


def standing_of(machine: PlanMachine, duty: Duty) -> Standing:
    """How a duty stands on each day after each possible last service.

    Args:
        machine: with its forecast.
        duty: one of its duties.
    """
    rows, columns = np.arange(len(machine.strokes))[:, None], np.arange(len(machine.strokes))
    return _standing(machine, duty, np.maximum(rows - 1, 0), columns[None, :], 0)


def waiting_until(machine: PlanMachine, duty: Duty, days: int) -> FloatArray:
    """Strokes expected beyond the interval so many usual days after the last day, by row."""
    count = len(machine.strokes)
    rows = np.maximum(np.arange(count)[:, None] - 1, 0)
    return _standing(machine, duty, rows, np.array([[count - 1]]), days).late[:, 0]


def _standing(
    machine: PlanMachine,
    duty: Duty,
    since: npt.NDArray[np.intp],
    until: npt.NDArray[np.intp],
    beyond: int,
) -> Standing:
    from scipy.special import ndtr

    shape = np.broadcast_shapes(since.shape, until.shape)
    over, unused = np.full(shape, -np.inf), np.full(shape, np.inf)
    late, chance = np.zeros(shape), np.zeros(shape)
    if duty.interval_strokes is not None and duty.strokes_left is not None:
        limit = np.full(since.shape, duty.interval_strokes)
        limit[0] = max(duty.strokes_left, 0.0)
        mean = machine.strokes[until] - machine.strokes[since] + beyond * machine.daily
        spread = np.maximum(machine.deviation[since, until], 1e-3)
        z = (limit - mean) / spread
        chance = ndtr(-z)
        late = spread * (np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi) - z * chance)
        late = np.maximum(late, 0.0)
        unused, over = np.maximum(late + limit - mean, 0.0), mean - limit
        over[0] += max(-duty.strokes_left, 0.0)
    if duty.interval_days is not None and duty.days_left is not None:
        days = np.full(since.shape, float(duty.interval_days))
        days[0] = max(duty.days_left, 0)
        ahead = (until - since + beyond - days) * machine.daily
        unused, late = np.minimum(unused, np.maximum(-ahead, 0.0)), np.maximum(late, ahead)
        chance, over = np.where(ahead > 0, 1.0, chance), np.maximum(over, ahead)
        if duty.days_left < 0:
            over[0] = np.maximum(over[0], -duty.days_left * machine.daily)
    # What never falls due has nothing to be left unused of.
    unused = np.where(np.isfinite(unused), unused, 0.0)
    return Standing(unused, late, chance, over)


def interval_in_strokes(machine: PlanMachine, duty: Duty) -> float:
    """How long an interval is, in strokes: by the limit that comes first at usual days."""
    by_strokes = math.inf if duty.interval_strokes is None else duty.interval_strokes
    by_days = math.inf if duty.interval_days is None else duty.interval_days * machine.daily
    return min(by_strokes, by_days)


@dataclass(frozen=True)
class Arcs:
    """What a duty costs from one reset to the next service; rows and columns as `Standing`.

    Attributes:
        standing: what the costs come from.
        cost: weighted; infinite where the next service may not stand. The last column is that
            of no further service.
        is_due: for each row, whether a service falls due by the end of the last day.
    """

    standing: Standing
    cost: FloatArray
    is_due: npt.NDArray[np.bool_]


def arcs_of(problem: PlanProblem, place: int, duty_place: int, standing: Standing) -> Arcs:
    """The costs of a duty between any two of its resets.

    Args:
        problem: the problem.
        place, duty_place: the machine and which of its duties.
        standing: of that duty.
    """
    machine = problem.machines[place]
    duty, weights = machine.duties[duty_place], problem.weights
    cost = weights.unused * standing.unused + weights.late * standing.late
    is_allowed = standing.over <= MOST_LATE_SHARE * interval_in_strokes(machine, duty)
    is_allowed[0] = True
    for promised in problem.promised:
        if promised.machine == place and duty_place in problem.duty(promised).does:
            is_allowed[:, promised.day] = True
    cost = np.where(np.triu(is_allowed), cost, np.inf)
    is_due = standing.over[:, -1] > 0
    later = weights.late * waiting_until(machine, duty, GRACE_DAYS)
    later += weights.lost * duty.hours * machine.daily / 24
    cost[:, -1] = np.where(is_due, later, weights.late * standing.late[:, -1])
    return Arcs(standing, cost, is_due)


class PlanTables:
    """The tables of one problem, each made when it is first asked for.

    Attributes:
        problem: the problem that they are of.
    """

    def __init__(self, problem: PlanProblem) -> None:
        self.problem = problem
        self._arcs: dict[tuple[int, int], Arcs] = {}
        self._prices: dict[Placed, float] = {}

    def arcs(self, machine: int, duty: int) -> Arcs:
        """What a duty of a machine costs between any two of its resets."""
        if (machine, duty) not in self._arcs:
            of = self.problem.machines[machine]
            standing = standing_of(of, of.duties[duty])
            self._arcs[machine, duty] = arcs_of(self.problem, machine, duty, standing)
        return self._arcs[machine, duty]

    @cached_property
    def spans(self) -> dict[Placed, Span]:
        """Every service that a plan may hold, with its days; by machine, duty and day."""
        pinned = self.problem.pinned
        return {
            placed: span
            for number, machine in enumerate(self.problem.machines)
            for duty in range(len(machine.duties))
            for first in [self._first_day(number, duty)]
            for day in range(self.problem.last + 1)
            for placed in [Placed(number, duty, day)]
            if day >= first or placed in pinned
            for span in [span_of(self.problem, placed)]
            if span is not None
        }

    @cached_property
    def options(self) -> tuple[Placed, ...]:
        """Every service that a plan may hold, in order of machine, duty and day."""
        return tuple(self.spans)

    @cached_property
    def by_duty(self) -> dict[tuple[int, int], dict[int, Span]]:
        """The same by machine and duty, and by day."""
        found: dict[tuple[int, int], dict[int, Span]] = {}
        for option, span in self.spans.items():
            found.setdefault((option.machine, option.duty), {})[option.day] = span
        return found

    def price(self, placed: Placed) -> float:
        """What doing a service costs by itself: production lost, and a stroke for each day.

        Raises:
            KeyError: no plan may hold it.
        """
        if placed not in self._prices:
            lost = strokes_lost(self.problem, placed, self.spans[placed])
            own = self.problem.weights.lost * lost + STROKES_A_DAY_LATER * placed.day
            self._prices[placed] = own
        return self._prices[placed]

    def _first_day(self, machine: int, duty: int) -> int:
        """The day from which a service may be planned, as far as its own interval is concerned."""
        of = self.problem.machines[machine]
        unused = self.arcs(machine, duty).standing.over[0]
        most = (1 - LEAST_USED_SHARE) * interval_in_strokes(of, of.duties[duty])
        used = np.flatnonzero(unused >= -most)
        return max(1, int(used[0])) if len(used) else self.problem.last + 1

    def due_day(self, machine: int, duty: int, since: int) -> int | None:
        """The day on which a duty falls due, counted from day 0.

        Args:
            machine, duty: whose.
            since: as `Standing`'s rows.

        Returns:
            The day in whose course the interval is used up on average; None if it never is.
        """
        of = self.problem.machines[machine]
        if since == 0:
            return of.duties[duty].due
        over = self.arcs(machine, duty).standing.over[since, since:]
        beyond = np.flatnonzero(over > 0)
        if len(beyond):
            return since + int(beyond[0]) - 1
        if of.daily <= 0 or not np.isfinite(over[-1]):
            return None
        return self.problem.last + math.ceil(-float(over[-1]) / of.daily)
