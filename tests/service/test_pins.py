"""Promised services: made, moved, taken back, kept by doing them; seen as known at an instant."""

from datetime import date, datetime, timedelta
from itertools import permutations
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.db import new_id
from tracelog.errors import BadFact, Conflict, NotFound, TracelogError, UnknownReference
from tracelog.outcomes import CHANGED, CREATED, UNCHANGED
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.facts import LineFact, MachineFact, PlantFact
from tracelog.service.actions import record_service_levels, record_services
from tracelog.service.facts import ServiceFact, ServiceLevelFact
from tracelog.service.pin_actions import pin_service, record_service_pins, unpin_service
from tracelog.service.pin_facts import PinRequest, ServicePinFact
from tracelog.service.pins import open_pins, planning
from tracelog.service.planning_actions import record_planning_settings
from tracelog.service.planning_facts import (
    Planning,
    PlanningSettingFact,
    read_planning,
    settings_of,
)

ACTOR = Actor("Robin", "planner", "page")
ZONE = ZoneInfo("Europe/Madrid")
HOUR = timedelta(hours=1)


@pytest.fixture
def plant(session: Session, now: datetime) -> Session:
    """A session on a plant with one bodymaker and three levels, each doing the lower ones."""
    record_plant(session, [PlantFact(name="Alder", time_zone=ZONE.key)], ACTOR, now)
    record_lines(session, [LineFact(line=1)], ACTOR, now)
    record_machines(session, [MachineFact(line=1, station="bodymaker", number=1)], ACTOR, now)
    for service, strokes in (("minor", 10), ("major", 20), ("overhaul", 30)):
        level = ServiceLevelFact(station="bodymaker", service=service, interval_strokes=strokes)
        record_service_levels(session, [level], ACTOR, now)
    return session


def wish(now: datetime, days: int = 3, service: str = "major", **more: object) -> PinRequest:
    day = (now.astimezone(ZONE) + timedelta(days=days)).date()
    return PinRequest.model_validate(
        {"line": 1, "bodymaker": 1, "service": service, "pinned_on": day} | more
    )


def done(service: str, at: datetime) -> ServiceFact:
    return ServiceFact(line=1, bodymaker=1, service=service, done_at=at)


def days(session: Session, at: datetime) -> list[tuple[str, date]]:
    return [(pin.service, pin.pinned_on) for pin in open_pins(session, at)]


def test_a_promise_stands_until_it_is_moved_and_the_past_is_kept(
    plant: Session, now: datetime
) -> None:
    assert pin_service(plant, wish(now), ACTOR, now) == CREATED
    (first,) = open_pins(plant, now)
    assert (first.pinned_by, first.machine.text) == ("Robin", "1-1")
    later = now + HOUR
    assert pin_service(plant, wish(now, 5), ACTOR, later, seen=first.id) == CHANGED
    assert days(plant, now) == [("major", wish(now).pinned_on)]
    assert days(plant, later) == [("major", wish(now, 5).pinned_on)]
    assert days(plant, now - HOUR) == []


def test_the_same_promise_again_changes_nothing(plant: Session, now: datetime) -> None:
    pin_service(plant, wish(now), ACTOR, now)
    assert pin_service(plant, wish(now), ACTOR, now + HOUR) == UNCHANGED
    assert len(open_pins(plant, now + HOUR)) == 1


def test_who_did_not_see_the_promise_of_another_is_told(plant: Session, now: datetime) -> None:
    pin_service(plant, wish(now), ACTOR, now)
    with pytest.raises(Conflict, match=r"was promised for .* meanwhile, by Robin"):
        pin_service(plant, wish(now, 9), ACTOR, now + HOUR)
    (pin,) = open_pins(plant, now + HOUR)
    unpin_service(plant, pin.id, ACTOR, now + HOUR)
    with pytest.raises(Conflict, match="kept or taken back meanwhile"):
        pin_service(plant, wish(now, 9), ACTOR, now + 2 * HOUR, seen=pin.id)


def test_a_promise_is_taken_back_once(plant: Session, now: datetime) -> None:
    pin_service(plant, wish(now), ACTOR, now)
    (pin,) = open_pins(plant, now)
    assert unpin_service(plant, pin.id, ACTOR, now + HOUR) == CHANGED
    assert unpin_service(plant, pin.id, ACTOR, now + 2 * HOUR) == UNCHANGED
    assert days(plant, now + HOUR) == []
    with pytest.raises(NotFound, match="no promised service"):
        unpin_service(plant, new_id(), ACTOR, now)


@pytest.mark.parametrize(
    ("service", "after", "kept"),
    [
        ("major", HOUR, True),
        ("overhaul", HOUR, True),
        ("minor", HOUR, False),
        ("major", -HOUR, False),
    ],
)
def test_it_is_kept_by_that_service_or_a_higher_one_done_after_it(
    plant: Session, now: datetime, service: str, after: timedelta, kept: bool
) -> None:
    pin_service(plant, wish(now), ACTOR, now)
    record_services(plant, [done(service, now + after)], ACTOR, now + 2 * HOUR)
    assert (days(plant, now + 2 * HOUR) == []) == kept
    assert days(plant, now) == [("major", wish(now).pinned_on)]


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_it_is_the_same_in_whatever_order_promises_and_services_arrive(
    plant: Session, now: datetime, order: tuple[int, ...]
) -> None:
    row = {"line": 1, "bodymaker": 1, "service": "major", "pinned_on": "2026-12-01"}
    kept = ServicePinFact.read({**row, "pinned_at": now - 2 * HOUR}, ZONE)
    stands = ServicePinFact.read({**row, "pinned_at": now}, ZONE)
    steps = [
        lambda: record_service_pins(plant, [kept], ACTOR, now),
        lambda: record_service_pins(plant, [stands], ACTOR, now),
        lambda: record_services(plant, [done("major", now - HOUR)], ACTOR, now),
    ]
    for number in order:
        steps[number]()
    assert [pin.id for pin in open_pins(plant, now)] == [stands.id]


def test_days_that_are_over_and_unknown_services_are_refused(plant: Session, now: datetime) -> None:
    with pytest.raises(TracelogError, match="is over; promise a day from 2026-03-04 on"):
        pin_service(plant, wish(now, -1), ACTOR, now)
    with pytest.raises(UnknownReference, match="services are major, minor, overhaul"):
        pin_service(plant, wish(now, service="greasing"), ACTOR, now)
    assert open_pins(plant, now) == []


def test_planning_has_defaults_until_the_plant_sets_its_own(plant: Session, now: datetime) -> None:
    assert planning(plant) == Planning()
    said = {"crews": "2", "work_days": "Fri, mon", "late_weight": "2.50"}
    facts = [PlanningSettingFact(setting=name, value=text) for name, text in said.items()]
    assert record_planning_settings(plant, facts, ACTOR, now) == [CREATED] * 3
    set_now = planning(plant)
    assert (set_now.crews, set_now.late_weight, set_now.horizon_days) == (2, 2.5, 60)
    assert set_now.work_days == (True, False, False, False, True, False, False)
    assert record_planning_settings(plant, facts, ACTOR, now) == [UNCHANGED] * 3
    assert read_planning(settings_of(set_now)) == set_now


@pytest.mark.parametrize(
    ("setting", "value", "sentence"),
    [
        ("crews", "0", "crews"),
        ("crews", "two", "not a whole number"),
        ("work_days", "weekdays", "not a list of days"),
        ("crew_hours", "25", "24"),
        ("late_weight", "-1", "0"),
    ],
)
def test_a_wrong_setting_is_told_at_its_value(setting: str, value: str, sentence: str) -> None:
    with pytest.raises(BadFact) as told:
        PlanningSettingFact.read({"setting": setting, "value": value}, ZONE)
    (fault,) = told.value.faults
    assert fault.field == "value"
    assert sentence in fault.sentence or setting == "crews"
