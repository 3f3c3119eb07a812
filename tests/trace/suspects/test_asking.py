"""The window as the record gives it: checks, repairs, measurements, and how many statements."""

import uuid

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tracelog.defects.facts import DefectTypeFact
from tracelog.defects.vocabulary.actions import record_defect_types
from tracelog.plant.queries import directory
from tracelog.trace.suspects.asking import Suspects, Wish, suspects
from tracelog.trace.suspects.checks import CheckKind
from tracelog.trends.actions import record_measurements
from tracelog.trends.facts import MeasurementFact

THIN = "wall-off-gauge"


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session, 120)
    plant.write_levels(session)
    kinds = [DefectTypeFact(defect=one) for one in (THIN, "pinhole")]
    plant.kept(record_defect_types(session, kinds, plant.ACTOR, plant.START))
    plant.fill_pallet(session, "W-1", 1, 30, 30.25)


def measure(session: Session, at: float, *values: float, characteristic: str = "thin-wall") -> None:
    facts = [
        MeasurementFact.read(
            {
                "id": str(uuid.uuid4()),
                "line": 1,
                "bodymaker": 1,
                "measured_at": plant.hour(at),
                "characteristic": characteristic,
                "unit": "mm",
                "value": value,
                "subgroup": f"{characteristic}-{at}",
            },
            plant.ZONE,
        )
        for value in values
    ]
    plant.kept(record_measurements(session, facts, plant.ACTOR, plant.WRITTEN_AT))


def asked(session: Session, defect: str, bad: float, codes: str = "1-1") -> Suspects:
    machines = directory(session)
    ids = tuple(machines.machine_named(code).id for code in codes.split())
    return suspects(session, Wish(ids, defect, plant.hour(bad)), plant.hour(60))


def test_a_measurement_within_limits_clears_only_what_it_sees(session: Session) -> None:
    plant.log(session, 30, "1-1", defect=THIN)
    measure(session, 20, 0.090, 0.091, 0.089)
    measure(session, 25, 0.090, 0.060)
    found = asked(session, THIN, 30)
    assert found.start.at == plant.hour(20)
    assert found.start.is_known
    assert found.evidence is not None
    assert [one.kind for one in found.evidence.records[found.machines[0].id].checks] == [
        CheckKind.MEASUREMENT,
        CheckKind.MEASUREMENT,
    ]
    assert "3 values of thin-wall within limits" in found.start.basis
    assert any("starting defaults" in one for one in found.warnings)
    unseen = asked(session, "pinhole", 30)
    assert not unseen.start.is_known
    assert unseen.warnings[0].startswith("The start is not known")


def test_a_sample_counts_when_it_was_taken_and_not_behind_the_washer(session: Session) -> None:
    plant.log(session, 24, "1-1", cans=0, inspected=20, found_at="light-tester")
    found = asked(session, "split", 30)
    # The longest way is 95 minutes.
    assert found.start.at == plant.hour(24 - 95 / 60)
    assert "behind the washer" in found.start.basis
    plant.log(session, 24, "1-1", cans=0, inspected=20, found_at="trimmer")
    assert asked(session, "split", 30).start.at == plant.hour(24)


def test_a_sample_of_another_machine_or_defect_clears_nothing(session: Session) -> None:
    plant.log(session, 24, "1-2", cans=0, inspected=20)
    plant.log(session, 25, "1-1", cans=0, inspected=20, defect="wrinkle")
    assert not asked(session, "split", 30).start.is_known


def test_without_a_check_the_last_event_is_proposed(session: Session) -> None:
    plant.run_coil(session, "K-1", 1, 10, None)
    plant.write_tools(session, {"A": None})
    plant.fit(session, "A", "1-1", "ring-3", 26)
    found = asked(session, "split", 30)
    assert found.start.at == plant.hour(26)
    assert "tool fitted (A, ring-3)" in found.start.basis
    assert not found.start.is_known


def test_a_repair_without_a_good_check_leaves_the_window_open(session: Session) -> None:
    plant.log(session, 24, "1-1", cans=0, inspected=20)
    plant.serve(session, "1-1", "minor", 32)
    found = asked(session, "split", 30)
    assert found.end.at == plant.hour(60)
    assert not found.end.is_known
    assert "no good check after it" in found.end.basis
    plant.log(session, 34, "1-1", cans=0, inspected=5)
    assert asked(session, "split", 30).end.at == plant.hour(34)


def test_a_fixed_number_of_statements(session: Session, statements: Statements) -> None:
    plant.log(session, 24, "1-1", cans=0, inspected=20)
    asked(session, "split", 30)
    with statements.counted() as few:
        asked(session, "split", 30)
    for number in range(5):
        plant.log(session, 20 + number / 10, "1-1", cans=1)
        plant.change(session, 1, 1, 21 + number, "coolant")
        measure(session, 20 + number, 0.09)
        plant.fill_pallet(session, f"X-{number}", 1, 31 + number, 32 + number)
    with statements.counted() as many:
        asked(session, "split", 30, "1-1 1-2")
    assert len(few) == len(many) <= 60
