"""Recording measured values."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.outcomes import Became, Outcome
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.facts import LineFact, MachineFact, PlantFact
from tracelog.trends.actions import record_measurements
from tracelog.trends.facts import MeasurementFact

ACTOR = Actor("Robin", "quality", "page")
ZONE = ZoneInfo("Europe/Madrid")
ID = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e70"


@pytest.fixture
def plant(session: Session, now: datetime) -> Session:
    """A session on a plant with two bodymakers."""
    record_plant(session, [PlantFact(name="Alder", time_zone=ZONE.key)], ACTOR, now)
    record_lines(session, [LineFact(line=1)], ACTOR, now)
    machines = [MachineFact(line=1, station="bodymaker", number=number) for number in (1, 2)]
    record_machines(session, machines, ACTOR, now)
    return session


def recorded(session: Session, now: datetime, **values: object) -> Outcome:
    row = {
        "line": 1,
        "bodymaker": 1,
        "measured_at": "2026-03-01T06:00",
        "characteristic": "wall thickness",
        "value": 0.0973,
    }
    fact = MeasurementFact.read(row | values, ZONE)
    return record_measurements(session, [fact], ACTOR, now)[0]


def test_a_value_is_known_by_what_was_measured_when(plant: Session, now: datetime) -> None:
    assert recorded(plant, now).became is Became.CREATED
    assert recorded(plant, now).became is Became.UNCHANGED
    assert recorded(plant, now, unit="mm").became is Became.COMPLETED
    assert recorded(plant, now, subgroup="2").became is Became.CREATED
    outcome = recorded(plant, now, value=0.1)
    assert outcome.faults[0].field == "value"
    assert outcome.faults[0].sentence.startswith("'0.1' contradicts '0.0973', which was accepted")


def test_a_value_with_an_id_is_known_by_it(plant: Session, now: datetime) -> None:
    assert recorded(plant, now, id=ID).became is Became.CREATED
    assert recorded(plant, now, id=ID).became is Became.UNCHANGED
    moved = recorded(plant, now, id=ID, bodymaker=2)
    assert [str(fault) for fault in moved.faults] == [
        "bodymaker: '1-2' contradicts '1-1', which was accepted before for the same key;"
        " a fact on record stays as it is"
    ]


def test_an_unknown_bodymaker_is_told(plant: Session, now: datetime) -> None:
    assert recorded(plant, now, bodymaker=7).faults[0].field == "bodymaker"
