"""The Plan page: what it shows, what a promise costs, promising, taking back, settings, files."""

import csv
import io
from datetime import date

import pytest
from flask import Flask
from icalendar import Calendar
from sqlalchemy import Engine

from tests.service.promises import promised
from tests.support.clock import Clock
from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import reading, writing
from tracelog.plant.calendar_actions import record_planned_periods
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.service.actions import record_service_levels
from tracelog.service.facts import ServiceLevelFact
from tracelog.service.pins import open_pins, planning

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
# 4 March 2026: 1-1 makes 288,000 strokes a day and 1-2 twice as many, of 9 million.
WISH = {"machine": "1-1", "service": "medium", "pinned_on": "2026-03-20"}


@pytest.fixture
def planner(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        row = {"station": "bodymaker", "service": "medium", "interval_strokes": 20_000_000}
        level = ServiceLevelFact.read({**row, "hours": 4, "people": 2}, plant.ZONE)
        plant.kept(record_service_levels(session, [level], plant.ACTOR, plant.WRITTEN_AT))
    cast.sign_in(visit, "planner")
    visit.get("/service/plan")
    return visit


def test_the_page_shows_the_plan_and_that_it_is_the_best(planner: Visit) -> None:
    page = planner.get("/service/plan").text
    assert "no plan costs less" in page
    assert page.count('class="plan-ring"') >= 3
    assert 'draggable="true"' in page
    assert 'href="/service/plan"' in planner.get("/service").text


def test_what_a_promise_costs_is_shown_before_it_is_made(
    planner: Visit, own_engine: Engine, clock: Clock
) -> None:
    asks = "&".join(f"{name}={value}" for name, value in WISH.items())
    page = planner.get(f"/service/plan?{asks}").text
    assert "It makes the plan dearer by" in page
    assert "Promise this day" in page
    assert promised(own_engine, clock) == []
    answer = planner.post("/service/plan/pins", **WISH)
    assert (answer.status_code, answer.location) == (303, "/service/plan")
    assert promised(own_engine, clock) == [("1-1", "medium", date(2026, 3, 20))]
    page = planner.get("/service/plan").text
    assert "Promised: medium on 1-1 for 2026-03-20." in page
    assert "What is promised costs" in page


def test_a_promise_is_moved_and_taken_back(
    planner: Visit, own_engine: Engine, clock: Clock
) -> None:
    planner.post("/service/plan/pins", **WISH)
    with reading(own_engine) as session:
        (pin,) = open_pins(session, clock.now())
    moved = {**WISH, "pinned_on": "2026-03-25"}
    assert planner.post("/service/plan/pins", **moved).status_code == 409  # not looked at anew
    assert planner.post("/service/plan/pins", **moved, seen=pin.id).status_code == 303
    assert promised(own_engine, clock) == [("1-1", "medium", date(2026, 3, 25))]
    with reading(own_engine) as session:
        (pin,) = open_pins(session, clock.now())
    assert planner.post(f"/service/plan/pins/{pin.id}/unpin").status_code == 303
    assert promised(own_engine, clock) == []
    with reading(own_engine) as session:
        actions = [row.action for row in session.query(AuditRecord).all()]
        assert not list(broken_links(session))
    assert {"promise service", "take service promise back"} <= set(actions)


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("machine", "", "is missing; choose a bodymaker"),
        ("machine", "9-1", "there is no line 9"),
        ("service", "polish", "is no level of service of 1-1"),
        ("pinned_on", "soon", "is not a date"),
        ("pinned_on", "2026-03-03", "is over; promise a day from 2026-03-04 on"),
        ("pinned_on", "2026-03-10", "is kept free of services: stock count"),
    ],
)
def test_a_promise_that_cannot_be_is_refused_with_the_reason(
    planner: Visit, own_engine: Engine, clock: Clock, field: str, value: str, sentence: str
) -> None:
    with writing(own_engine) as session:
        period = {"kind": "no service", "starts_at": "2026-03-10", "ends_at": "2026-03-10"}
        fact = PlannedPeriodFact.read({**period, "reason": "stock count"}, plant.ZONE)
        plant.kept(record_planned_periods(session, [fact], plant.ACTOR, plant.WRITTEN_AT))
    answer = planner.post("/service/plan/pins", **{**WISH, field: value})
    assert 400 <= answer.status_code < 500
    assert sentence in answer.text
    assert promised(own_engine, clock) == []


def test_two_machines_of_a_line_are_not_promised_on_one_day(planner: Visit) -> None:
    planner.post("/service/plan/pins", **WISH)
    answer = planner.post("/service/plan/pins", **{**WISH, "machine": "1-2"})
    assert answer.status_code == 409
    assert "line 1 has 1-1 medium on 2026-03-20 already" in answer.text
    answer = planner.post("/service/plan/pins", **{**WISH, "machine": "2-1"})
    assert answer.status_code == 409
    assert "on 2026-03-20 the crews are taken by 1-1 medium" in answer.text


def test_the_week_ahead_is_promised_as_it_was_seen(
    planner: Visit, own_engine: Engine, clock: Clock
) -> None:
    page = planner.get("/service/plan").text
    assert planner.post("/service/plan/week", as_seen="1-1/medium/2026-01-01").status_code == 409
    seen = page.split('name="as_seen" value="')[1].split('"')[0]
    assert planner.post("/service/plan/week", as_seen=seen).status_code == 303
    # 1-2 made 17.3 of its 20 million strokes, at 576,000 a day.
    ((machine, service, day),) = promised(own_engine, clock)
    assert f"{machine}/{service}/{day}" == seen
    assert (machine, service) == ("1-2", "medium")
    assert date(2026, 3, 5) <= day <= date(2026, 3, 9)


def test_how_services_are_planned_is_set(planner: Visit, own_engine: Engine) -> None:
    values = {
        "crews": "2",
        "crew_people": "3",
        "crew_hours": "8",
        "horizon_days": "30",
        "unused_weight": "1",
        "late_weight": "9",
        "lost_weight": "0",
    }
    days = dict.fromkeys(("mon", "tue", "wed", "thu", "fri"), "yes")
    assert planner.post("/service/plan/settings", **values, **days).status_code == 303
    with reading(own_engine) as session:
        said = planning(session)
    assert (said.crews, said.crew_people, said.crew_hours, said.late_weight) == (2, 3, 8.0, 9.0)
    assert said.work_days == (True,) * 5 + (False,) * 2
    cleared = {**values, "crew_people": ""}
    assert planner.post("/service/plan/settings", **cleared, **days).status_code == 303
    with reading(own_engine) as session:
        assert planning(session).crew_people is None
    answer = planner.post("/service/plan/settings", **{**values, "crew_people": "0"}, **days)
    assert "it must be from 1 to 50, or any" in answer.text
    answer = planner.post("/service/plan/settings", **{**values, "crews": "0"}, **days)
    assert answer.status_code == 422
    assert "it must be from 1 to 20" in answer.text
    assert planner.post("/service/plan/settings", **values).status_code == 422  # no day at all


def test_the_files_hold_what_the_page_shows(planner: Visit) -> None:
    planner.post("/service/plan/pins", **WISH)
    rows = list(csv.DictReader(io.StringIO(planner.get("/service/plan.csv").text)))
    calendar = Calendar.from_ical(planner.get("/service/plan.ics").data)
    events = {
        (str(event["summary"]), event.decoded("dtstart"), str(event["status"]))
        for event in calendar.walk("VEVENT")
    }
    assert events == {
        (
            f"{row['machine']} {row['service']}",
            date.fromisoformat(row["date"]),
            "CONFIRMED" if row["pinned"] == "yes" else "TENTATIVE",
        )
        for row in rows
    }
    assert ("1-1 medium", date(2026, 3, 20), "CONFIRMED") in events


@pytest.mark.parametrize(("asks", "said"), [("crews=0", "from 1 to 20"), ("horizon=x", "whole")])
def test_a_wrong_number_in_the_address_is_told(planner: Visit, asks: str, said: str) -> None:
    answer = planner.get(f"/service/plan?{asks}")
    assert answer.status_code == 400
    assert said in answer.text


@pytest.mark.parametrize("role", ["operator", "quality"])
def test_others_see_the_plan_and_promise_nothing(
    planner: Visit, application: Flask, cast: Cast, role: str
) -> None:
    other = Visit(application.test_client())
    cast.sign_in(other, role)
    page = other.get("/service/plan").text
    assert "no plan costs less" in page
    assert "Look what it costs" not in page
    assert other.post("/service/plan/pins", **WISH).status_code == 403
