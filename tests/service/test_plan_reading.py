"""What a plan rests on, what is left out of it, and why something has no day."""

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy.orm import Session

from tests.service.plan_problems import MILLION, duty, machine, problem
from tests.trace import two_lines as plant
from tests.trace.two_lines import ACTOR, HOURS, WRITTEN_AT, ZONE, hour, kept
from tracelog.service.actions import record_service_levels
from tracelog.service.facts import ServiceLevelFact
from tracelog.service.plan_clashes import why_waiting
from tracelog.service.plan_costs import costs_of
from tracelog.service.plan_page import short_names
from tracelog.service.plan_reading import PlanInputs, read_inputs
from tracelog.service.plan_rules import Placed, PlanProblem
from tracelog.service.plan_tables import PlanTables
from tracelog.service.planning_facts import Planning

TODAY = date(2026, 3, 4)  # a Wednesday
WEEKDAYS = (True,) * 5 + (False,) * 2


def level(session: Session, **values: Any) -> None:
    fact = ServiceLevelFact.read({"station": "bodymaker", **values}, ZONE)
    kept(record_service_levels(session, [fact], ACTOR, WRITTEN_AT))


def inputs(session: Session, horizon_days: int = 30) -> PlanInputs:
    return read_inputs(
        session, hour(HOURS), Planning(horizon_days=horizon_days, work_days=WEEKDAYS)
    )


@pytest.fixture
def running(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)


@pytest.mark.usefixtures("running")
def test_a_level_is_a_duty_with_what_is_left_of_it(session: Session) -> None:
    level(session, service="minor", interval_strokes=5_000_000, hours=4, people=2)
    level(session, service="major", interval_strokes=50_000_000, interval_days=200, hours=12)
    plant.serve(session, "1-1", "major", HOURS - 240)
    found = inputs(session)
    [number] = [place for place, one in enumerate(found.machines) if one.text == "1-1"]
    minor, major = found.problem.machines[number].duties
    assert (minor.service, minor.hours, minor.people) == ("minor", 4.0, 2)
    assert minor.strokes_left == 5_000_000 - 240 * 12_000
    assert (minor.days_left, major.days_left) == (None, 190)
    assert (set(minor.does), set(major.does)) == ({0}, {0, 1})
    assert minor.due == (5_000_000 - 240 * 12_000) // (24 * 12_000)
    assert found.problem.days[0] == TODAY
    assert len(found.problem.days) == 31
    assert found.problem.works[:6] == (True, True, True, False, False, True)


@pytest.mark.usefixtures("running")
def test_strokes_are_those_of_the_forecast_and_stand_still_in_a_planned_stop(
    session: Session,
) -> None:
    level(session, service="minor", interval_strokes=20_000_000, hours=4)
    plant.plan_period(session, "stop", TODAY + timedelta(days=3), 2, line=1, reason="roof")
    found = inputs(session).problem
    first, other = (next(one for one in found.machines if one.line == line) for line in (1, 2))
    made = np.diff(first.strokes)
    assert made[[3, 4]].tolist() == [0.0, 0.0]
    assert made[10] == pytest.approx(24 * 12_000, rel=0.03)
    assert first.hours_up[[2, 3, 4, 5]].tolist() == [24, 0, 0, 24]
    assert first.hours_stopped[[2, 3, 4, 5]].tolist() == [0, 24, 24, 0]
    assert (np.diff(other.strokes) > 0).all()
    assert first.deviation.shape == (32, 32)
    assert first.deviation[0, 0] == 0
    assert (np.diff(first.deviation[0]) >= -1e-6).all()


@pytest.mark.usefixtures("running")
def test_days_kept_free_of_services_are_blocked_with_their_reason(session: Session) -> None:
    level(session, service="minor", interval_strokes=20_000_000)
    plant.plan_period(session, "no service", TODAY + timedelta(days=2), 2, line=2, reason="audit")
    for one in inputs(session).problem.machines:
        expected = ["audit", "audit"] if one.line == 2 else [None, None]
        assert list(one.blocked[2:4]) == expected
        assert one.blocked[4] is None


@pytest.mark.usefixtures("running")
def test_what_is_left_out_says_why(session: Session) -> None:
    level(session, service="round", interval_strokes=300_000)
    level(session, service="calibrate", interval_days=60)
    level(session, service="minor", interval_strokes=20_000_000)
    found = inputs(session)
    whys = {one.service: one.why for one in found.left_out if one.machine.text == "1-1"}
    assert set(whys) == {"round", "calibrate"}
    assert "every day or two" in whys["round"]
    assert "never recorded as done" in whys["calibrate"]
    assert {one.service for machine in found.problem.machines for one in machine.duties} == {
        "minor"
    }


def test_a_machine_that_does_not_run_is_left_out_until_it_is_overdue(session: Session) -> None:
    plant.write_plant(session)
    level(session, service="minor", interval_strokes=20_000_000)
    found = inputs(session)
    assert found.problem.machines == ()
    assert {one.why for one in found.left_out} == {
        "the machine does not run, so that it does not fall due"
    }


# --- why something has no day


def waiting(asked: PlanProblem, plan: list[Placed]) -> str:
    """Why the only duty that waits has no day in a plan."""
    tables = PlanTables(asked)
    [one] = costs_of(tables, plan).waiting
    return why_waiting(tables, plan, one)


def test_too_few_people_are_told() -> None:
    asked = problem(
        [machine("1-1", [duty(people=5)], 15)],
        crews=2,
        crew_people=2,
    )
    assert waiting(asked, []) == "minor takes 5 people; 2 crews of 2 are too few"


def test_every_kind_of_day_that_cannot_be_is_counted() -> None:
    """Ten days from the second: five of rest, two kept free, two of the crew, one of the line."""
    works = tuple(day in (0, 2, 4, 6, 8, 10) for day in range(11))
    late = duty(strokes_left=6 * MILLION)
    of = machine("1-1", [late], 10, blocked=(2, 4))
    line = machine("1-2", [duty(strokes_left=6 * MILLION)], 10)
    crew = machine("2-1", [duty(strokes_left=7 * MILLION, hours=24.0)], 10)
    asked = problem([of, line, crew], works=works)
    said = waiting(asked, [Placed(1, 0, 6), Placed(2, 0, 8)])
    assert said.startswith("no day from 2026-03-03 to 2026-03-12 is left for it: ")
    assert "on 5 no services are done" in said
    assert "2 are kept free of services (stock count)" in said
    assert "on 2 the crews are taken (2-1 minor)" in said
    assert "on 1 its line has another service (1-2 minor)" in said


def test_a_free_day_that_costs_more_than_waiting_is_named() -> None:
    asked = problem([machine("1-1", [duty(strokes_left=10 * MILLION, hours=4.0)], 11)])
    said = waiting(asked, [])
    assert "it would cost more than waiting 14 days longer" in said
    assert "such as 2026-03-03" in said


def test_services_on_the_grid_are_told_apart_by_their_first_letters() -> None:
    names = short_names({"medium", "major", "overhaul", "mail", "main"})
    assert names["overhaul"] == "O"
    assert names["medium"] == "Me"
    assert (names["major"], names["mail"]) == ("Maj", "Mai")
    assert short_names({"Ölwechsel"}) == {"Ölwechsel": "Ö"}
