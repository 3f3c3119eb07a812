"""Recording levels of service and services done."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.outcomes import Became
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.facts import LineFact, MachineFact, PlantFact
from tracelog.service.actions import record_service_levels, record_services
from tracelog.service.facts import ServiceFact, ServiceLevelFact

ACTOR = Actor("Robin", "planner", "page")
ZONE = ZoneInfo("Europe/Madrid")


@pytest.fixture
def plant(session: Session, now: datetime) -> Session:
    """A session on a plant with one bodymaker."""
    record_plant(session, [PlantFact(name="Alder", time_zone=ZONE.key)], ACTOR, now)
    record_lines(session, [LineFact(line=1)], ACTOR, now)
    machine = MachineFact(line=1, station="bodymaker", number=1)
    record_machines(session, [machine], ACTOR, now)
    return session


def done(**values: object) -> list[ServiceFact]:
    row = {"line": 1, "bodymaker": 1, "service": "minor", "done_at": "2026-03-01T06:00"}
    return [ServiceFact.read(row | values, ZONE)]


def level(**values: object) -> list[ServiceLevelFact]:
    row = {"station": "bodymaker", "service": "minor"}
    return [ServiceLevelFact.read(row | values, ZONE)]


def test_any_service_is_taken_while_the_bodymakers_have_no_levels(
    plant: Session, now: datetime
) -> None:
    record_service_levels(plant, level(station="washer"), ACTOR, now)
    assert record_services(plant, done(service="polish"), ACTOR, now)[0].became is Became.CREATED


def test_an_unknown_level_is_told_with_those_that_are_known(plant: Session, now: datetime) -> None:
    record_service_levels(plant, level() + level(service="overhaul"), ACTOR, now)
    assert record_services(plant, done(), ACTOR, now)[0].became is Became.CREATED
    outcome = record_services(plant, done(service="polish"), ACTOR, now)[0]
    assert [str(fault) for fault in outcome.faults] == [
        "service: there is no service 'polish' of a bodymaker; services are minor, overhaul"
    ]


def test_an_unknown_bodymaker_is_told(plant: Session, now: datetime) -> None:
    outcome = record_services(plant, done(bodymaker=7), ACTOR, now)[0]
    assert [str(fault) for fault in outcome.faults] == [
        "bodymaker: line 1 has no bodymaker 7; it has 1"
    ]


def test_a_service_is_on_record_as_it_was_reported(plant: Session, now: datetime) -> None:
    def became(**values: object) -> Became:
        return record_services(plant, done(**values), ACTOR, now)[0].became

    assert became() is Became.CREATED
    assert became() is Became.UNCHANGED
    assert became(note="new seals") is Became.COMPLETED
    assert became() is Became.UNCHANGED
    assert became(note="old seals") is Became.REFUSED
    assert became(unplanned="yes") is Became.REFUSED
    assert became(done_at="2026-03-01T07:00", unplanned="yes") is Became.CREATED


def test_a_level_may_change(plant: Session, now: datetime) -> None:
    def became(**values: object) -> Became:
        return record_service_levels(plant, level(**values), ACTOR, now)[0].became

    assert became(hours=4) is Became.CREATED
    assert became(interval_strokes=25_000_000) is Became.COMPLETED
    assert became(interval_strokes=30_000_000) is Became.CHANGED
    assert became(hours="4") is Became.UNCHANGED
