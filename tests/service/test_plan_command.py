"""`tracelog plan`: the plan as text and as JSON, its files, and what it refuses."""

import csv
import json
from pathlib import Path

import pytest
from icalendar import Calendar
from sqlalchemy import Engine

from tests.support.command import Command
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.db import writing
from tracelog.instants import write_instant
from tracelog.service.actions import record_service_levels
from tracelog.service.facts import ServiceLevelFact

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
AS_OF = write_instant(hour(HOURS))


@pytest.fixture
def planned(command: Command, own_engine: Engine) -> Command:
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        for name, people in (("medium", 1), ("crowd", 9)):
            row = {"station": "bodymaker", "service": name, "interval_strokes": 20_000_000}
            level = ServiceLevelFact.read({**row, "hours": 4, "people": people}, plant.ZONE)
            plant.kept(record_service_levels(session, [level], plant.ACTOR, plant.WRITTEN_AT))
    return command


def test_text_json_and_files_say_the_same(planned: Command, tmp_path: Path) -> None:
    ics, table = tmp_path / "services.ics", tmp_path / "services.csv"
    options = ("plan", "--horizon", "45", "--as-of", AS_OF)
    answer = json.loads(planned(*options, "--json").stdout)
    text = planned(*options, "--ics", ics, "--csv", table).stdout
    assert answer["optimal"] is True
    assert "no plan costs less" in text
    services = answer["services"]
    assert len(services) >= 3
    for one in services:
        assert one["date"] in text
        assert one["machine"] in text
    with table.open(encoding="utf-8-sig", newline="") as lines:
        assert len(list(csv.reader(lines))) == len(services) + 1
    events = Calendar.from_ical(ics.read_bytes()).walk("VEVENT")
    told = sorted(event.decoded("dtstart").isoformat() for event in events)
    assert told == sorted(one["date"] for one in services)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--crews", "0"), "0 is not in the range"),
        (("--horizon", "x"), "'x' is not a valid integer"),
        (("--as-of", "soon"), "'soon' is not an instant"),
    ],
)
def test_a_wrong_option_is_told(planned: Command, options: tuple[str, str], said: str) -> None:
    told = planned("plan", *options, status=2).stderr.replace("│", " ")
    assert said in " ".join(told.split())
