"""The lives of tools read from the database: grouped, costed, as of an instant."""

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import ACTOR, HOURS, START, hour, kept
from tracelog.errors import UnknownReference
from tracelog.plant.facts import ToolFact
from tracelog.plant.tool_actions import record_tools
from tracelog.service.actions import record_replacement_costs
from tracelog.service.facts import ReplacementCostFact
from tracelog.service.lives import (
    CostEntered,
    ToolLives,
    lives_by_type,
    lives_of,
    lives_on_record,
    replacement_costs,
)
from tracelog.service.lives_rules import CountedAs, IntervalFrom

K = 1_000


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    rows = {"A": "ring", "B": "ring", "C": "ring", "D": "punch", "E": None}
    tools = [
        ToolFact(serial=serial, tool_type=kind, life_strokes=5 * plant.MILLION if kind else None)
        for serial, kind in rows.items()
    ]
    kept(record_tools(session, tools, ACTOR, START))
    plant.fit(session, "A", "1-1", "ring-1", 10, 60, "worn")
    plant.fit(session, "B", "1-1", "ring-1", 60, 100, "planned")
    plant.fit(session, "C", "1-2", "ring-2", 10)
    plant.fit(session, "D", "1-1", "punch", 0)  # in before the first reading: its age is unknown
    plant.fit(session, "E", "2-1", "ring-1", 10, 20, "worn")


def kinds(session: Session, as_of: float = HOURS) -> dict[str, ToolLives]:
    found, _without = lives_by_type(session, hour(as_of))
    return {one.tool_type: one for one in found}


def test_every_life_says_what_it_says(session: Session) -> None:
    said = {
        one.serial: (one.strokes, one.counted_as, one.why)
        for one in lives_on_record(session, hour(HOURS))
    }
    assert said == {
        "A": (600 * K, CountedAs.FAILURE, "worn"),
        "B": (480 * K, CountedAs.CENSORED, "planned"),
        "C": (17_040 * K, CountedAs.CENSORED, "goes on"),
        "D": (8_640 * K, CountedAs.LEFT_OUT, "age at the first record unknown"),
        "E": (120 * K, CountedAs.FAILURE, "worn"),
    }


def test_lives_are_grouped_by_type_and_those_without_one_are_counted(session: Session) -> None:
    found, without = lives_by_type(session, hour(HOURS))
    assert [one.tool_type for one in found] == ["punch", "ring"]
    assert without == 1
    ring = found[1]
    assert (ring.figures.failures, ring.figures.lives) == (1, 3)
    assert ring.positions == {"ring-1": 2, "ring-2": 0}
    assert found[0].figures.left_out == {"age at the first record unknown": 1}


def test_one_position_stands_for_itself(session: Session) -> None:
    one = lives_of(session, hour(HOURS), "ring", "ring-1")
    assert [life.serial for life in one.lives] == ["A", "B"]
    assert one.positions == {"ring-1": 2, "ring-2": 0}
    every = lives_of(session, hour(HOURS), "ring")
    assert every == kinds(session)["ring"]


def test_the_answer_as_of_an_instant_knows_nothing_of_later(session: Session) -> None:
    ring = kinds(session, as_of=48)["ring"]
    assert ring.figures.failures == 0
    assert ring.figures.censored == {"goes on": 2}
    (first, _second) = ring.lives
    assert (first.serial, first.strokes, first.ended_at) == ("A", 456 * K, None)


def test_unknown_types_and_positions_are_told_with_those_that_are_there(session: Session) -> None:
    with pytest.raises(UnknownReference, match="types are punch, ring") as wrong:
        lives_of(session, hour(HOURS), "rong")
    assert wrong.value.field == "tool_type"
    with pytest.raises(UnknownReference, match="positions are ring-1, ring-2"):
        lives_of(session, hour(HOURS), "ring", "ring-9")


def test_costs_entered_count_and_today_is_the_setting(session: Session) -> None:
    before = kinds(session)["ring"].replacing
    assert before.costs.is_guess
    assert (before.interval_now, before.interval_from) == (5e6, IntervalFrom.TOOLS)
    fact = ReplacementCostFact(
        tool_type="ring", planned_cost=80, unplanned_cost=200, interval_strokes=3_000_000
    )
    kept(record_replacement_costs(session, [fact], ACTOR, hour(1)))
    after = kinds(session)["ring"].replacing
    assert (after.costs.planned, after.costs.unplanned, after.costs.is_guess) == (80, 200, False)
    assert (after.interval_now, after.interval_from) == (3e6, IntervalFrom.SETTING)
    assert replacement_costs(session) == {"ring": CostEntered("ring", 80, 200, 3_000_000, None)}
    # A blank keeps what was entered; another value replaces it.
    fact = ReplacementCostFact(tool_type="ring", unplanned_cost=240, note="of May")
    kept(record_replacement_costs(session, [fact], ACTOR, hour(2)))
    assert replacement_costs(session)["ring"] == CostEntered("ring", 80, 240, 3_000_000, "of May")


def test_strokes_a_year_are_those_of_the_machines_that_hold_such_a_tool(session: Session) -> None:
    # C sits in 1-2, which makes 576,000 strokes a day; A and B are out.
    assert kinds(session)["ring"].replacing.strokes_a_year == pytest.approx(576 * K * 365.25)
    one = lives_of(session, hour(HOURS), "ring", "ring-1").replacing
    assert one.strokes_a_year == 0


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    def counted() -> int:
        session.expire_all()
        with statements.counted() as sent:
            lives_by_type(session, hour(HOURS))
        return len(sent)

    before = counted()
    for number in range(8):
        serial = f"N-{number}"
        plant.write_tools(session, {serial: None})
        plant.describe_tool(session, serial, f"type {number % 3}")
        plant.fit(session, serial, "2-1", f"place {number}", 10, 30, "worn")
    assert counted() == before
