"""Marks as causes: one mandrel among many is found, and marks noted at random are not."""

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy.orm import Session

from seed_demo.planting import plant_cause
from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import PlantSize
from tests.cases.explain.planted import evidence_of
from tests.cases.explain.test_database import answered, asked
from tests.support.plants import ENDS_AT
from tracelog.audit import Actor
from tracelog.cases.explain.evidence import CauseKind, Evidence
from tracelog.cases.explain.inside import inside_of
from tracelog.cases.explain.marks import mark_exposure, mark_share, marks_of
from tracelog.cases.explain.ranking import Likely, Ranking, rank
from tracelog.defects.actions import log_entries
from tracelog.defects.facts import EntryFact
from tracelog.plant.part_actions import record_station_parts
from tracelog.plant.part_facts import StationPartFact
from tracelog.plant.queries import the_plant

DAYS, MANDRELS = 56, 24


@pytest.fixture(scope="module")
def base() -> SimulatedPlant:
    return simulate(PlantSize(lines=2, bodymakers=6, days=140, pallet_days=0), 1104)


def marked(base: SimulatedPlant, seed: int, bad: float, count: int = MANDRELS) -> Evidence:
    """Nothing is planted but marks: six of ten entries note a mandrel, `bad` of them the 12th."""
    random = np.random.default_rng([seed, 3])
    plant, truth = plant_cause(base, "nothing", DAYS, random)
    evidence = evidence_of(plant, truth, DAYS)
    entries = evidence.entries
    number = random.integers(1, MANDRELS + 1, len(entries.at))
    worse = (entries.at >= evidence.start) & (random.random(len(entries.at)) < bad)
    number = np.where(worse, 12, number)
    noted = [
        f"mandrel {one}" if says else None
        for one, says in zip(number, random.random(len(number)) < 0.6, strict=True)
    ]
    parts = {(line, "mandrel"): count for line in range(len(evidence.lines))} if count else {}
    return replace(evidence, marks=marks_of(entries.machine, evidence.line_of, noted, parts))


def of_marks(found: Ranking) -> list[Likely]:
    return [one for one in found.likely if one.cause.kind is CauseKind.MARK]


@pytest.mark.parametrize("seed", [21, 22, 23])
@pytest.mark.parametrize("count", [MANDRELS, 0])
def test_a_bad_mandrel_comes_before_all_others(base: SimulatedPlant, seed: int, count: int) -> None:
    found = rank(marked(base, seed, 0.45, count))
    first = found.likely[0]
    assert (first.cause.kind, first.cause.name) == (CauseKind.MARK, "mandrel 12")
    # Without the count less is known of what one of them would have.
    assert not count or first.probability > found.nothing
    assert first.ratio > 3


@pytest.mark.parametrize("seed", [31, 32, 33, 34])
def test_marks_noted_at_random_explain_nothing(base: SimulatedPlant, seed: int) -> None:
    found = rank(marked(base, seed, 0.0))
    assert found.nothing > max(one.probability for one in found.likely)
    assert sum(one.probability for one in of_marks(found)) < 0.3


def test_the_share_of_a_mark_is_that_of_one_of_its_part(base: SimulatedPlant) -> None:
    evidence = marked(base, 41, 0.0)
    label = evidence.marks.names.index("mandrel 5")
    share, variance = mark_share(evidence, label)
    assert share == pytest.approx(0.6 / MANDRELS, rel=0.25)
    assert variance < 0.1
    assert mark_exposure(evidence, label) == pytest.approx(1 / MANDRELS)
    unknown = marked(base, 41, 0.0, 0)
    assert mark_exposure(unknown, label) == pytest.approx(1 / MANDRELS, rel=0.8)


def test_strokes_of_a_mark_are_its_part_of_the_line(base: SimulatedPlant) -> None:
    found = rank(marked(base, 21, 0.45))
    first = found.likely[0]
    evidence = found.ground.evidence
    (line,) = [place for place, name in enumerate(evidence.lines) if name == first.cause.place]
    since = evidence.start if first.since is None else first.since
    pieces = evidence.edges[:-1] >= since
    made = evidence.strokes[evidence.line_of == line][:, pieces].sum()
    assert inside_of(found, first).strokes == pytest.approx(made / MANDRELS, rel=0.01)


def test_marks_of_two_lines_are_two_and_unsettled_entries_have_none() -> None:
    machine = np.array([0, 1, -1, 0])
    line_of = np.array([0, 1])
    noted = ["mandrel 3", "mandrel 3", "mandrel 3", "scratch left"]
    found = marks_of(machine, line_of, noted, {(0, "mandrel"): 24})
    assert found.names == ("mandrel 3", "scratch left", "mandrel 3")
    assert found.lines.tolist() == [0, 0, 1]
    assert found.parts == ("mandrel", "scratch", "mandrel")
    assert found.counts.tolist() == [24, 0, 0]
    assert found.of.tolist() == [0, 2, -1, 1]


@pytest.mark.small_plant
def test_marks_of_the_log_are_read_as_people_wrote_them(plant_session: Session) -> None:
    by, zone = Actor("tests", "administrator", "command"), the_plant(plant_session).zone
    parts = [StationPartFact(line=1, station="decorator", part="mandrel", count=24)]
    record_station_parts(plant_session, parts, by, ENDS_AT)
    entries = [
        EntryFact.read(
            {
                "seen_at": f"2026-06-{20 + number // 4:02}T{6 + number % 4:02}:00:00Z",
                "dome_code": f"1-{2 + number % 3}",
                "defect": "neck-pleat",
                "found_at": "camera",
                "mark": ("Mandrel #7", "mandrel 07", "7th mandrel")[number % 3],
            },
            zone,
        )
        for number in range(24)
    ]
    outcomes = log_entries(plant_session, entries, by, ENDS_AT)
    assert all(one.is_kept for one in outcomes), outcomes[0].faults
    answer = answered(plant_session, asked(plant_session, "neck-pleat", 28))
    marks = [one for one, *_rest in answer.likely if one.cause.kind is CauseKind.MARK]
    assert [one.cause.name for one in marks] == ["mandrel 7"]
