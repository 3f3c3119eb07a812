"""What a handful of bad cans suggests, against known chances and against simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracelog.stats.dome_numbers import Suggests, dome_number_spread

EQUAL = np.ones(8)


def of_one(found: int, cans: int) -> list[int]:
    """`found` of `cans` from the first machine, the rest one each from others."""
    counts = [found] + [0] * 7
    for number in range(cans - found):
        counts[1 + number] += 1
    return counts


@pytest.mark.parametrize(
    ("found", "cans", "chance", "tolerance"),
    [(3, 3, 1 / 64, 1e-9), (4, 4, 1 / 512, 1e-9), (5, 8, 0.010, 0.002), (4, 8, 0.09, 0.01)],
)
def test_equal_machines_have_the_usual_chances(
    found: int, cans: int, chance: float, tolerance: float
) -> None:
    assert dome_number_spread(of_one(found, cans), EQUAL).by_chance == pytest.approx(
        chance, abs=tolerance
    )


def test_what_is_suggested_follows_the_chance() -> None:
    assert dome_number_spread(of_one(3, 3), EQUAL).suggests is Suggests.ONE_MACHINE
    assert dome_number_spread(of_one(4, 8), EQUAL).suggests is Suggests.NOTHING
    assert dome_number_spread([1, 1, 1, 1, 1, 1, 1, 0], EQUAL).suggests is Suggests.COMMON
    assert dome_number_spread([1, 1, 0, 0, 0, 0, 0, 0], EQUAL).suggests is Suggests.NOTHING


def test_strokes_weigh() -> None:
    busy = dome_number_spread([4, 0, 0], [98.0, 1.0, 1.0])
    assert (busy.machine, busy.suggests) == (0, Suggests.NOTHING)
    assert busy.by_chance > 0.9
    idle = dome_number_spread([0, 4, 0], [98.0, 1.0, 1.0])
    assert (idle.machine, idle.suggests) == (1, Suggests.ONE_MACHINE)
    # All four from one of the two idle machines.
    assert idle.by_chance == pytest.approx(2 * 0.01**4)


@given(st.lists(st.floats(0.1, 5), min_size=2, max_size=6), st.integers(1, 9), st.integers(0, 99))
def test_the_exact_chance_is_that_of_a_simulation(
    strokes: list[float], cans: int, seed: int
) -> None:
    shares = np.array(strokes) / np.sum(strokes)
    random = np.random.default_rng(seed)
    drawn = random.multinomial(cans, shares)
    exact = dome_number_spread(drawn, strokes).by_chance
    tails = stats.binom.sf(np.arange(-1, cans + 1), cans, shares[:, None])
    rows = np.arange(len(shares))
    surprise = tails[rows, random.multinomial(cans, shares, 4000)].min(axis=1)
    sample = surprise <= tails[rows, drawn].min() * (1 + 1e-9)
    assert exact == pytest.approx(sample.mean(), abs=0.045)


@pytest.mark.parametrize(
    ("counts", "strokes", "named"),
    [
        ([0, 0], [1, 1], "counts"),
        ([1, 2], [1], "same length"),
        ([1, 2], [0, 1], "strokes"),
        ([150, 90], [1, 1], "counts"),
    ],
)
def test_cans_that_cannot_be_are_refused(
    counts: list[int], strokes: list[float], named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        dome_number_spread(counts, strokes)
