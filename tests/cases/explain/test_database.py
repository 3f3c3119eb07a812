"""Explanations from the database: the same as from arrays, by every door, as of any instant."""

import csv
import io
import json
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy.orm import Session

from seed_demo.planting import PlantedCause
from seed_demo.simulate import SimulatedPlant
from tests.cases.explain.planted import evidence_of
from tests.seed_demo.written import SMALL
from tests.seed_demo.written import plant as simulated
from tests.support.command import Command
from tests.support.plants import ENDS_AT, SEED
from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tracelog.cases.explain.explaining import Explained, explain
from tracelog.cases.explain.queries import read_evidence
from tracelog.cases.explain.questions import LONGEST, ExplainQuestion, question
from tracelog.cases.explain.ranking import rank
from tracelog.errors import TracelogError
from tracelog.plant.queries import directory, the_plant

pytestmark = pytest.mark.small_plant
DAYS = 14
# The documented shape: name and what JSON makes of it.
SHAPE: dict[str, type | tuple[type, ...]] = {
    "defect": str,
    "from": str,
    "to": str,
    "cans": int,
    "strokes": int,
    "no_special_cause": (int, float),
    "explanations": list,
}
ONE: dict[str, type | tuple[type, ...]] = {
    "rank": int,
    "kind": str,
    "name": str,
    "position": (str, type(None)),
    "since": (str, type(None)),
    "rate_ratio": (int, float),
    "rate_ratio_low": (int, float),
    "rate_ratio_high": (int, float),
    "probability": (int, float),
    "cans": int,
    "strokes": int,
    "reason": str,
}


@pytest.fixture(scope="module")
def plant() -> SimulatedPlant:
    return simulated(SMALL, SEED)


def asked(
    session: Session, defect: str, days: int = DAYS, as_of: datetime | None = None
) -> ExplainQuestion:
    end = as_of or ENDS_AT
    return question(session, defect, end - timedelta(days=days), end, ENDS_AT, as_of)


def answered(session: Session, wanted: ExplainQuestion) -> Explained:
    return explain(session, the_plant(session), directory(session), wanted)


@pytest.mark.parametrize("place", [0, 1, 2])
def test_the_planted_faults_of_the_demo_are_the_first_explanations(
    plant_session: Session, plant: SimulatedPlant, place: int
) -> None:
    fault = plant.faults[place]
    days = 28 if fault.kind == "tool" else 20
    answer = answered(plant_session, asked(plant_session, fault.defect, days))
    first = answer.likely[0][0]
    assert (first.cause.kind, first.cause.name) == (fault.kind, fault.name)
    assert first.probability > 0.5
    assert first.ratio_low < fault.rate_ratio < first.ratio_high * 1.5


def test_database_and_arrays_agree(plant_session: Session, plant: SimulatedPlant) -> None:
    for fault in plant.faults:
        truth = PlantedCause(fault.kind, fault.name, fault.defect, fault.rate_ratio, 0, 0.0)
        of_arrays = evidence_of(plant, truth, 28)
        wanted = asked(plant_session, fault.defect)
        first, end = of_arrays.start, of_arrays.end
        same = ExplainQuestion(fault.defect, _at(first), _at(end))
        stored = read_evidence(
            plant_session, the_plant(plant_session), directory(plant_session), same
        )
        assert stored.machines == of_arrays.machines
        assert set(stored.tools.names) <= set(of_arrays.tools.names)
        assert wanted.defect == same.defect
        ours, theirs = rank(of_arrays), rank(stored)
        assert ours.likely[0].cause == theirs.likely[0].cause
        # Readings spread strokes over hours, and some codes were not read.
        assert theirs.likely[0].counts == pytest.approx(ours.likely[0].counts, rel=0.15, abs=2)
        assert theirs.likely[0].ratio == pytest.approx(ours.likely[0].ratio, rel=0.3)
        made = of_arrays.strokes[:, of_arrays.piece_of_start :].sum()
        assert stored.strokes[:, stored.piece_of_start :].sum() == pytest.approx(made, rel=0.01)


def _at(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, ENDS_AT.tzinfo)


def test_the_number_of_statements_is_fixed(
    plant_session: Session, plant_statements: Statements
) -> None:
    numbers = set()
    for defect, days in (("pinhole", 3), ("score-outside", 28), ("trim-tall", 10)):
        plant_session.rollback()
        plant_session.expire_all()
        wanted = asked(plant_session, defect, days)
        plan, places = the_plant(plant_session), directory(plant_session)
        with plant_statements.counted() as sent:
            explain(plant_session, plan, places, wanted)
        numbers.add(len(sent))
    assert len(numbers) == 1
    assert numbers.pop() <= 20


def test_as_of_uses_only_what_was_known_by_then(
    plant_session: Session, plant: SimulatedPlant
) -> None:
    ring = plant.faults[0]
    moved_at = ring.windows[1][1]
    before = moved_at - timedelta(hours=2)
    wanted = asked(plant_session, ring.defect, 10, before)
    evidence = read_evidence(
        plant_session, the_plant(plant_session), directory(plant_session), wanted
    )
    assert evidence.end <= before.timestamp()
    assert (evidence.entries.at < before.timestamp()).all()
    own = evidence.tools.owner == evidence.tools.names.index(ring.name)
    assert own.sum() == 1
    later = read_evidence(
        plant_session,
        the_plant(plant_session),
        directory(plant_session),
        asked(plant_session, ring.defect, 10),
    )
    assert (later.tools.owner == later.tools.names.index(ring.name)).sum() == 2


def test_strange_questions_are_told_at_their_field(plant_session: Session) -> None:
    for defect, start, end, field in (
        (None, None, None, "defect"),
        ("nonsense", None, None, "defect"),
        ("pinhole", ENDS_AT, ENDS_AT, "to"),
        ("pinhole", ENDS_AT - LONGEST - timedelta(days=1), ENDS_AT, "to"),
    ):
        with pytest.raises(TracelogError) as problem:
            question(plant_session, defect, start, end, ENDS_AT)
        assert problem.value.faults[0].field == field


def test_a_period_without_anything_has_nothing_to_explain(plant_session: Session) -> None:
    long_ago = ENDS_AT - timedelta(days=300)
    answer = answered(plant_session, ExplainQuestion("pinhole", long_ago, long_ago + timedelta(1)))
    assert (answer.nothing, answer.likely, answer.whole.cans) == (1.0, (), 0)


def _of_command(command: Command, *words: str) -> dict[str, Any]:
    said = command("explain", *words, "--as-of", ENDS_AT.isoformat(), "--json").stdout
    found: dict[str, Any] = json.loads(said)
    return found


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_command_has_the_documented_shape(command: Command, plant: SimulatedPlant) -> None:
    ring = plant.faults[0]
    found = _of_command(command, "--defect", ring.defect, "--from", "2026-06-05")
    for name, kind in SHAPE.items():
        assert isinstance(found[name], kind), name
    assert found["from"] == "2026-06-05T05:00:00Z"
    first = found["explanations"][0]
    for name, kind in ONE.items():
        assert isinstance(first[name], kind), name
    assert (first["rank"], first["kind"], first["name"]) == (1, "tool", ring.name)
    assert first["position"] == "ring-3"
    total = found["no_special_cause"] + sum(one["probability"] for one in found["explanations"])
    assert 0.98 < total <= 1.00001
    assert first["cans"] + first["cans_outside"] == found["cans"]
    assert ring.name in first["reason"]
    table = command("explain", "--defect", ring.defect, "--as-of", ENDS_AT.isoformat())
    assert ring.name in table.stdout
    assert "nothing special" in table.stdout


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_command_refuses_what_is_no_defect(command: Command) -> None:
    answer = command("explain", "--defect", "nonsense", status=1)
    assert "not a kind of defect" in answer.stderr


@pytest.mark.usefixtures("clock")
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_page_and_files_tell_the_same(visit: Visit, cast: Cast, plant: SimulatedPlant) -> None:
    cast.sign_in(visit, "supervisor")
    ring = plant.faults[0]
    empty = visit.get("/cases/explain")
    assert empty.status_code == 200
    assert "Which defect?" in empty.text
    address = f"defect={ring.defect}&from=2026-06-05&to=2026-06-30"
    page = visit.get(f"/cases/explain?{address}")
    assert page.status_code == 200
    assert f"tool {ring.name}, ring-3" in page.text
    assert "explain-map" in page.text
    assert "associations" in page.text
    rows = list(csv.DictReader(io.StringIO(visit.get(f"/cases/explain.csv?{address}").text)))
    assert rows[0]["name"] == ring.name
    assert float(rows[0]["probability"]) > 0.5
    assert visit.get(f"/cases/explain.xlsx?{address}").data[:2] == b"PK"
    assert visit.get("/cases/explain.pdf?defect=pinhole").status_code == 404


@pytest.mark.usefixtures("clock")
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_page_says_what_is_wrong_at_the_field(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    for address, sentence in (
        ("defect=nonsense", "not a kind of defect"),
        ("defect=pinhole&from=yesterday", "yesterday"),
        ("defect=pinhole&from=2026-06-20&to=2026-06-10", "an hour or more"),
    ):
        page = visit.get(f"/cases/explain?{address}")
        assert page.status_code in (400, 422)
        assert sentence in page.text


@pytest.mark.usefixtures("clock")
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_api_gives_what_the_command_gives(
    visit: Visit, cast: Cast, plant: SimulatedPlant
) -> None:
    cast.sign_in(visit, "quality")
    coil = plant.faults[1]
    found = visit.get(f"/api/v1/explain?defect={coil.defect}&from=2026-06-10").json
    assert (found["explanations"][0]["kind"], found["explanations"][0]["name"]) == (
        coil.kind,
        coil.name,
    )
    wrong = visit.get("/api/v1/explain")
    assert wrong.status_code == 400
    assert wrong.json["faults"][0]["field"] == "defect"
    unknown = visit.get("/api/v1/explain?defect=pinhole&machine=1-2")
    assert unknown.status_code == 400
    assert np.isfinite(found["no_special_cause"])
