"""Cells of a table of counts against what their exposure leads to expect."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from tracelog.stats.cell_surprise import cell_surprise
from tracelog.stats.compare import compare_rates


def test_it_is_the_conditional_test_against_the_rest() -> None:
    # Against the published pair of check A25: 0 in 100 and 3 in 100.
    found = cell_surprise([0, 3], [100, 100], 3, 200)
    pair = compare_rates(0, 100, 3, 100)
    assert found.as_low.tolist() == pytest.approx([pair.p_less, 1.0])
    assert found.as_high.tolist() == pytest.approx([1.0, pair.p_less])
    assert found.as_low[0] == pytest.approx(0.125)
    assert found.expected.tolist() == [1.5, 1.5]


@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 10**7)), min_size=1, max_size=12).filter(
        lambda cells: sum(n for _x, n in cells) > 0
    )
)
def test_the_chances_are_those_of_the_binomial(cells: list[tuple[int, int]]) -> None:
    used = [(x if n else 0, n) for x, n in cells]
    counts, exposures = zip(*used, strict=True)
    whole, seen_in = sum(counts), sum(exposures)
    found = cell_surprise(counts, exposures, whole, seen_in)
    share = np.array(exposures) / seen_in
    ran = np.array(exposures) > 0
    low = np.where(ran, binom.cdf(counts, whole, share), 1.0)
    high = np.where(ran, binom.sf(np.array(counts) - 1, whole, share), 1.0)
    assert found.as_low == pytest.approx(low, rel=1e-9, abs=1e-300)
    assert found.as_high == pytest.approx(high, rel=1e-9, abs=1e-300)
    assert found.expected.sum() == pytest.approx(whole)


def test_a_cell_without_exposure_tells_nothing_and_a_part_is_no_more_than_the_whole() -> None:
    found = cell_surprise([4], [0], 2, 10)
    assert (found.as_high[0], found.as_low[0], found.expected[0]) == (1.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="counts must not be more"):
        cell_surprise([3], [1], 2, 10)
    with pytest.raises(ValueError, match="exposures must not be more"):
        cell_surprise([1], [11], 2, 10)
