"""Random cans of the small simulated plant: all of a dossier right, and true machines offered.

The same over more plants, with tables of reliability: `python -m tests.bench tracing`.
"""

import pytest
from sqlalchemy.orm import Session

from seed_demo.simulate import SimulatedPlant
from tests.bench.tracing import Outcome, found_in_time, reliability, run
from tests.seed_demo.written import SMALL
from tests.seed_demo.written import plant as simulated
from tests.support.plants import SEED


@pytest.fixture(scope="module")
def truth() -> SimulatedPlant:
    return simulated(SMALL, SEED)


def test_clear_codes_are_all_right_and_others_hold_the_truth(
    plant_session: Session, truth: SimulatedPlant
) -> None:
    outcome = Outcome()
    run(plant_session, truth, outcome, 6, 5)
    assert outcome.all_right == outcome.clear == 6
    assert outcome.part.inside >= 0.99 * outcome.part.asked > 20
    assert outcome.unsure.asked > 5
    assert outcome.unsure.inside >= 0.9 * outcome.unsure.asked
    sums = [told for told, _is_true in outcome.part.chances]
    assert sum(sums) == pytest.approx(outcome.part.asked)
    rows = reliability(outcome.part)
    assert sum(count for _name, count, _told, _true in rows) == len(sums)


def test_cans_found_at_a_station_were_made_within_the_interval() -> None:
    for _station, before, _minutes, after, _fewer in found_in_time(400, 2):
        assert before > 0.96
        assert after > 0.98
