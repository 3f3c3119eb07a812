"""Mandrels, pockets, segments and fingers of each station: page, files, two people at once."""

import json

import pytest
from sqlalchemy import Engine, func, select

from tests.defects.small_plant import ZONE, write_plant
from tests.support.markup import summary
from tests.support.site import Cast, Visit
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import reading, writing
from tracelog.plant.models import StationPart
from tracelog.plant.part_facts import StationPartFact
from tracelog.plant.part_queries import station_parts
from tracelog.plant.part_rules import StationPartView, station_order

HERE = "/cases/sequence/parts"
MANDRELS = {"line": "1", "station": "decorator", "part": "mandrel", "count": "24", "seen": ""}


@pytest.fixture
def supervisor(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """A supervisor on a plant with two lines."""
    with writing(own_engine) as session:
        write_plant(session)
    cast.sign_in(visit, "supervisor")
    visit.get(HERE)
    return visit


def kept(engine: Engine) -> list[StationPartView]:
    with reading(engine) as session:
        return station_parts(session)


def test_a_supervisor_sets_a_count_and_changes_it(supervisor: Visit, own_engine: Engine) -> None:
    assert supervisor.post(HERE, **MANDRELS).status_code == 303
    assert kept(own_engine) == [StationPartView(1, "decorator", "mandrel", 24)]
    assert supervisor.post(HERE, **MANDRELS | {"count": "30", "seen": "24"}).status_code == 303
    assert [one.count for one in kept(own_engine)] == [30]
    with reading(own_engine) as session:
        record = session.execute(
            select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
        ).scalar_one()
        assert (record.action, record.actor) == ("record station parts", "sara")
        assert json.loads(record.before or "{}")["count"] == "24"
        assert json.loads(record.after or "{}")["count"] == "30"
        assert not broken_links(session)
    assert 'value="30"' in supervisor.get(HERE).text


def test_two_people_who_set_one_count_at_once_are_told(
    supervisor: Visit, own_engine: Engine
) -> None:
    supervisor.post(HERE, **MANDRELS)
    supervisor.post(HERE, **MANDRELS | {"count": "30", "seen": "24"})
    late = supervisor.post(HERE, **MANDRELS | {"count": "36", "seen": "24"})
    assert late.status_code == 409
    assert "somebody else has set it to 30 meanwhile" in summary(late)
    assert [one.count for one in kept(own_engine)] == [30]
    # Who wants what stands there already is not held up.
    assert supervisor.post(HERE, **MANDRELS | {"count": "30", "seen": "24"}).status_code == 303
    # Nor is anybody who saw none overruled by whoever adds one.
    again = supervisor.post(HERE, **MANDRELS | {"count": "12"})
    assert again.status_code == 409


@pytest.mark.parametrize(
    ("field", "text", "sentence"),
    [
        ("line", "9", "there is no line 9"),
        ("line", "x", "is not a whole number"),
        ("station", "", "is missing"),
        ("part", "y" * 81, "at most 80 are kept"),
        ("count", "241", "it must be from 0 to 240"),
        ("count", "", "is missing"),
        ("seen", "many", "is not a whole number"),
    ],
)
def test_what_is_wrong_is_told_and_nothing_is_written(
    supervisor: Visit, own_engine: Engine, field: str, text: str, sentence: str
) -> None:
    answer = supervisor.post(HERE, **MANDRELS | {field: text})
    assert answer.status_code in (400, 404, 409, 422)
    assert sentence in summary(answer)
    assert kept(own_engine) == []


@pytest.mark.parametrize(("role", "may"), [("operator", False), ("planner", True)])
def test_who_may_set_counts(
    visit: Visit, cast: Cast, own_engine: Engine, role: str, may: bool
) -> None:
    with writing(own_engine) as session:
        write_plant(session)
    cast.sign_in(visit, role)
    assert ("Set it" in visit.get(HERE).text) is may
    assert visit.post(HERE, **MANDRELS).status_code == (303 if may else 403)
    assert bool(kept(own_engine)) is may


def test_words_are_told_apart_without_case_and_spaces() -> None:
    said = {"line": "1", "station": " Light-Tester ", "part": "Star  Pocket", "count": "0"}
    fact = StationPartFact.read(said, ZONE)
    assert fact.key == (1, "light-tester", "star pocket")
    assert fact.count == 0


def test_stations_stand_in_the_order_of_the_process() -> None:
    found = sorted(["own-machine", "necker", "decorator", "flanger"], key=station_order)
    assert found == ["decorator", "necker", "flanger", "own-machine"]


def test_the_counts_are_saved_as_files(supervisor: Visit) -> None:
    supervisor.post(HERE, **MANDRELS)
    assert supervisor.get(HERE + ".csv").text.splitlines() == [
        "line,station,part,count",
        "1,decorator,mandrel,24",
    ]
    assert supervisor.get(HERE + ".xlsx").status_code == 200
    assert supervisor.get(HERE + ".pdf").status_code == 404


def test_an_unknown_line_writes_no_row_and_no_record(supervisor: Visit, own_engine: Engine) -> None:
    with reading(own_engine) as session:
        before = session.execute(select(func.count()).select_from(AuditRecord)).scalar_one()
    supervisor.post(HERE, **MANDRELS | {"line": "7"})
    with reading(own_engine) as session:
        after = session.execute(select(func.count()).select_from(AuditRecord)).scalar_one()
        assert session.execute(select(func.count()).select_from(StationPart)).scalar_one() == 0
    assert after == before
