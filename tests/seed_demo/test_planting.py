"""Planted causes: the same for the same seed, as many as promised, where they are said to be."""

import numpy as np
import pytest

from seed_demo.planting import KINDS, LEAST_EXCESS, plant_cause
from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import PlantSize
from seed_demo.vocabulary import CODES

DAYS = 42
# Of which so small a plant has nothing that lasted long enough.
WITHOUT = ("wear",)


@pytest.fixture(scope="module")
def base() -> SimulatedPlant:
    return simulate(PlantSize(lines=2, bodymakers=4, days=110, pallet_days=0), 6)


@pytest.mark.parametrize("kind", KINDS)
def test_a_cause_is_the_same_for_the_same_seed_and_makes_enough(
    base: SimulatedPlant, kind: str
) -> None:
    if kind in WITHOUT:
        with pytest.raises(LookupError, match="this plant has no"):
            plant_cause(base, kind, DAYS, np.random.default_rng(4))
        return
    plant, truth = plant_cause(base, kind, DAYS, np.random.default_rng(4))
    again, same = plant_cause(base, kind, DAYS, np.random.default_rng(4))
    assert truth == same
    assert np.array_equal(plant.findings.made, again.findings.made)
    assert truth.excess >= LEAST_EXCESS
    assert truth.ratio >= 2.5
    assert truth.defect in CODES


def test_a_machine_makes_more_from_when_its_fault_began(base: SimulatedPlant) -> None:
    plant, truth = plant_cause(base, "machine", DAYS, np.random.default_rng(2))
    findings = plant.findings
    own = [one.code for one in plant.machines].index(truth.name)
    rows = (findings.defect == CODES.index(truth.defect)) & (findings.machine == own)
    after = rows & (findings.made >= truth.since)
    days_after = (plant.clock.seconds - truth.since) / 86_400
    days_before = truth.since / 86_400
    before = (rows.sum() - after.sum()) / days_before
    assert after.sum() / days_after > 1.5 * before


def test_the_plant_itself_is_left_as_it_is(base: SimulatedPlant) -> None:
    seen, coils = base.findings.seen.copy(), list(base.coils)
    plant, truth = plant_cause(base, "coil put back", DAYS, np.random.default_rng(3))
    assert np.array_equal(base.findings.seen, seen)
    assert base.coils == coils
    runs = [own for own in plant.coils if truth.name in own.coils]
    assert runs[0].coils.count(truth.name) == 2
