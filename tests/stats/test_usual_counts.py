"""What is usual: spread of machines, unrest of days, habits of crews."""

import numpy as np
import pytest

from tracelog.stats.usual_counts import habits, machine_shape, unrest


@pytest.mark.parametrize("shape", [2.0, 6.0, 20.0])
def test_the_spread_of_many_machines_is_found(shape: float) -> None:
    random = np.random.default_rng(3)
    expected = np.full(300, 40.0)
    counts = random.poisson(expected * random.gamma(shape, 1 / shape, 300))
    assert machine_shape(counts, expected) == pytest.approx(shape, rel=0.3)


def test_machines_that_are_all_alike_have_a_large_shape_and_no_counts_the_usual_one() -> None:
    assert machine_shape(np.full(30, 100.0), np.full(30, 100.0)) > 30
    assert machine_shape(np.zeros(4), np.ones(4)) == 5.0


def days(machine: float, line: float, plant: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    random = np.random.default_rng(5)
    lines = np.repeat(np.arange(4), 8)

    def shocks(variance: float, *size: int) -> np.ndarray:
        return random.gamma(1 / variance, variance, size) if variance else np.ones(size)

    expected = np.full((32, 200), 2.0)
    level = shocks(machine, 32, 200) * shocks(line, 4, 200)[lines] * shocks(plant, 200)
    return random.poisson(expected * level).astype(float), expected, lines


def test_unrest_is_told_apart_by_what_shares_it() -> None:
    found = unrest(*days(0.3, 0.15, 0.08))
    assert found.machine_day == pytest.approx(0.3, abs=0.1)
    assert found.line_day == pytest.approx(0.15, abs=0.06)
    assert found.plant_day == pytest.approx(0.08, abs=0.04)


def test_chance_alone_gives_hardly_any_unrest() -> None:
    found = unrest(*days(0.0, 0.0, 0.0))
    assert found.machine_day < 0.05
    assert found.line_day < 0.02
    assert found.plant_day < 0.02


def test_unrest_refuses_arrays_of_different_shape() -> None:
    with pytest.raises(ValueError, match="same shape"):
        unrest(np.zeros((2, 3)), np.zeros((2, 4)), np.zeros(2, dtype=np.intp))


def test_a_crew_that_reports_more_is_told_from_its_shift() -> None:
    random = np.random.default_rng(8)
    crews, shifts = random.integers(0, 4, 4000), random.integers(0, 2, 4000)
    of_crew, of_shift = np.array([1.0, 1.6, 0.7, 1.0]), np.array([1.2, 0.8])
    counts = random.poisson(3 * of_crew[crews] * of_shift[shifts]).astype(float)
    found = habits(counts, np.full(4000, counts.mean()), (crews, shifts))
    assert found[0] / found[0].mean() == pytest.approx(of_crew / of_crew.mean(), rel=0.07)
    assert found[1][0] / found[1][1] == pytest.approx(1.5, rel=0.07)


def test_without_labels_there_are_no_factors() -> None:
    nobody = np.full(3, -1)
    assert [len(one) for one in habits(np.ones(3), np.ones(3), (nobody,))] == [0]
