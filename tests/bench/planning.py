"""How long the best plan of services takes on large plants, and what it saves on one by hand."""

from collections.abc import Sequence

import numpy as np

from tests.bench.measure import print_table, timed
from tests.service.plan_problems import MILLION, duty, machine, problem
from tracelog.service.plan_costs import costs_of
from tracelog.service.plan_greedy import earliest_due_first
from tracelog.service.plan_rules import Duty, PlanMachine, PlanProblem
from tracelog.service.plan_solver import best_plan
from tracelog.service.plan_tables import PlanTables

SEEDS = (1, 2, 3)
# Name, interval in million strokes and hours of each level; common practice, no source.
LEVELS = (("medium", 20.0, 4.0), ("major", 50.0, 8.0), ("overhaul", 100.0, 24.0))
# Machines, days, levels, crews, and how much longer services take. In the fourth more falls due
# than its crew can do; the last ones are not proven in the usual time.
SIZES = (
    (32, 60, 3, 1, 1),
    (40, 120, 2, 2, 1),
    (40, 120, 3, 2, 1),
    (40, 120, 3, 1, 1),
    (40, 120, 3, 2, 2),
    (80, 120, 3, 3, 1),
)
PER_LINE = 8


def large_problem(
    machines: int, days: int, levels: int, crews: int, longer: int, seed: int
) -> PlanProblem:
    """An invented plant: eight machines on a line, a line stop every fortnight, crews on weekdays.

    Args:
        machines: how many.
        days: how many are planned.
        levels: how many of `LEVELS` there are, each containing those before it.
        crews: how many there are.
        longer: factor on the hours of services.
        seed: of where each machine stands in its intervals and how it runs.
    """
    random = np.random.default_rng(seed)
    return problem(
        [_machine(number, days, LEVELS[:levels], longer, random) for number in range(machines)],
        works=tuple(day % 7 < 5 for day in range(days + 1)),
        crews=crews,
    )


def _machine(
    number: int,
    days: int,
    levels: Sequence[tuple[str, float, float]],
    longer: int,
    random: np.random.Generator,
) -> PlanMachine:
    line, place = divmod(number, PER_LINE)
    duties: list[Duty] = []
    for level, (name, interval, hours) in enumerate(levels):
        left = float(random.uniform(0.02, 1.0)) * interval * MILLION
        whole = interval * MILLION
        duties.append(
            duty(
                name,
                range(level + 1),
                hours=longer * hours,
                strokes_left=left,
                interval_strokes=whole,
            )
        )
    a_day = random.normal(0.45, 0.03) * MILLION
    return machine(
        f"{line + 1}-{place + 1}",
        duties,
        days,
        a_day=float(a_day),
        deviation=0.15,
        stopped=range(line + 3, days, 14),
    )


def print_planning() -> None:
    """Print how long the best plan took for each size, what is proven, and the plan by hand."""
    rows = []
    for machines, days, levels, crews, longer in SIZES:
        for seed in SEEDS:
            asked = large_problem(machines, days, levels, crews, longer, seed)
            with timed() as by_hand:
                tables = PlanTables(asked)
                hand = costs_of(tables, earliest_due_first(tables)).total
            with timed() as taken:
                found = best_plan(PlanTables(asked))
            rows.append(
                (
                    f"{machines} x {days}, {levels} levels, {crews} crews, x {longer}, #{seed}",
                    str(len(found.plan)),
                    f"{taken.seconds:.1f}",
                    f"{taken.seconds / by_hand.seconds:.0f}",
                    "the best" if found.is_optimal else f"within {found.gap:.2%}",
                    f"{hand / max(found.costs.total, 1.0):.2f}",
                )
            )
    headings = (
        "machines x days, levels, crews, x hours",
        "services",
        "seconds",
        "x by hand",
        "proven",
        "cost by hand, x",
    )
    print_table("The best plan of services", headings, rows)
