"""The plan is the best one there is, breaks no constraint, and says what it proves."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.service.plan_problems import (
    MILLION,
    cheapest_by_trying,
    duty,
    faults,
    machine,
    problem,
)
from tracelog.service.plan_costs import costs_of
from tracelog.service.plan_greedy import earliest_due_first
from tracelog.service.plan_rules import Duty, Placed, PlanProblem, Weights
from tracelog.service.plan_solver import best_plan
from tracelog.service.plan_tables import PlanTables

# Days of work and of rest.
_WEEKS = [(True,) * 20, (True, True, False) * 7, (False, True, True, True) * 5, (False,) * 20]
_WEIGHTS = [(1.0, 4.0, 20.0), (1.0, 1.0, 0.0), (0.5, 9.0, 3.0)]


@st.composite
def _duties(draw: st.DrawFn) -> tuple[Duty, ...]:
    """One to three levels: one above the other, beside each other, or entangled."""
    made: list[dict[str, Any]] = []
    for number in range(draw(st.integers(1, 3))):
        by = draw(st.sampled_from(["strokes", "strokes", "both", "days"]))
        long, days = draw(st.integers(2, 12)), draw(st.integers(2, 9))
        made.append(
            {
                "service": f"s{number}",
                "interval_strokes": long * MILLION if by != "days" else None,
                "strokes_left": draw(st.integers(-2, long)) * MILLION if by != "days" else None,
                "interval_days": days if by != "strokes" else None,
                "days_left": draw(st.integers(-2, days)) if by != "strokes" else None,
                "hours": draw(st.sampled_from([0.5, 4.0, 12.0, 20.0])),
                "people": draw(st.sampled_from([None, 1, 2, 3])),
            }
        )
    shape = draw(st.sampled_from(["chain", "chain", "apart", "entangled"]))
    does = {
        "chain": [(0,), (0, 1), (0, 1, 2)],
        "apart": [(0,), (1,), (1, 2)],
        "entangled": [(0, 1), (1,), (0, 2)],
    }[shape]
    if shape == "entangled" and len(made) == 1:
        does = [(0,)]
    return tuple(duty(does=does[place], **values) for place, values in enumerate(made))


@st.composite
def problems(draw: st.DrawFn, machines: int = 3, most_days: int = 5) -> PlanProblem:
    last = draw(st.integers(1, most_days))
    days = st.integers(0, last)
    made = [
        machine(
            draw(st.sampled_from(["1-", "2-"])) + str(number + 1),
            draw(_duties()),
            last,
            a_day=draw(st.sampled_from([0.0, 0.7, 1.0, 2.3])) * MILLION,
            deviation=draw(st.sampled_from([0.0, 0.1, 0.5])),
            stopped=draw(st.lists(days, max_size=2, unique=True)),
            blocked=draw(st.lists(days, max_size=2, unique=True)),
        )
        for number in range(draw(st.integers(1, machines)))
    ]
    found = problem(
        made,
        works=tuple(
            draw(
                st.lists(
                    st.sampled_from([True, True, True, False]), min_size=last + 1, max_size=last + 1
                )
            )
        ),
        crews=draw(st.integers(1, 2)),
        crew_people=draw(st.sampled_from([None, 2])),
        weights=Weights(
            *draw(st.sampled_from([(1.0, 4.0, 20.0), (1.0, 1.0, 0.0), (0.5, 9.0, 3.0)]))
        ),
    )
    return replace(found, promised=_pins(draw, found))


def _pins(draw: st.DrawFn, asked: PlanProblem) -> tuple[Placed, ...]:
    """Up to two promised services that can stand beside each other."""
    pins: list[Placed] = []
    for _number in range(draw(st.integers(0, 2))):
        number = draw(st.integers(0, len(asked.machines) - 1))
        place = draw(st.integers(0, len(asked.machines[number].duties) - 1))
        pin = Placed(number, place, draw(st.integers(0, asked.last)))
        if pin not in pins and not faults(replace(asked, promised=(*pins, pin)), [*pins, pin]):
            pins.append(pin)
    return tuple(pins)


@given(problems())
@settings(max_examples=50)
def test_the_plan_costs_what_the_cheapest_of_all_plans_costs(asked: PlanProblem) -> None:
    found = best_plan(PlanTables(asked))
    assert faults(asked, found.plan) == []
    assert found.costs.total == pytest.approx(cheapest_by_trying(asked), rel=1e-6, abs=1.0)
    assert found.is_optimal
    assert found.bound <= found.costs.total + 1e-6
    assert found.gap <= 1e-6


@given(problems(machines=6, most_days=16))
@settings(max_examples=30)
def test_no_plan_breaks_a_constraint_and_what_is_due_is_placed_or_waits(
    asked: PlanProblem,
) -> None:
    tables = PlanTables(asked)
    found, by_hand = best_plan(tables), earliest_due_first(tables)
    assert faults(asked, found.plan) == []
    assert faults(asked, by_hand) == []
    assert found.is_optimal
    assert found.costs.total <= costs_of(tables, by_hand).total + 1.0
    waiting = {(one.machine, one.duty) for one in found.costs.waiting}
    for number, of in enumerate(asked.machines):
        for place in range(len(of.duties)):
            done = [
                one for one in found.plan if one.machine == number and place in asked.duty(one).does
            ]
            due = tables.arcs(number, place).is_due[0]
            assert done or not due or (number, place) in waiting


@given(problems(machines=4, most_days=9))
@settings(max_examples=10)
def test_the_same_question_has_the_same_answer(asked: PlanProblem) -> None:
    assert best_plan(PlanTables(asked)).plan == best_plan(PlanTables(asked)).plan
