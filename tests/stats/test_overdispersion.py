"""Dispersion tests."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracelog.stats.overdispersion import binomial_overdispersion, poisson_overdispersion


@given(st.lists(st.integers(0, 60), min_size=2, max_size=30).filter(any))
def test_with_equal_exposure_the_ratio_is_variance_over_mean(counts: list[int]) -> None:
    result = poisson_overdispersion(counts)
    assert result.ratio == pytest.approx(np.var(counts, ddof=1) / np.mean(counts))
    assert result.p_value == pytest.approx(
        stats.chi2.sf(result.statistic, len(counts) - 1), abs=1e-12
    )


def test_the_binomial_test_is_the_chi_square_test_of_the_two_row_table() -> None:
    bad, seen = np.array([4, 9, 2, 14]), np.array([50, 80, 40, 60])
    result = binomial_overdispersion(bad, seen)
    table = stats.chi2_contingency([bad, seen - bad], correction=False)
    assert result.statistic == pytest.approx(table.statistic)
    assert result.p_value == pytest.approx(table.pvalue)


def test_points_without_exposure_do_not_count() -> None:
    assert poisson_overdispersion([3, 9, 5, 0], [1, 2, 1, 0]) == poisson_overdispersion(
        [3, 9, 5], [1, 2, 1]
    )


def test_no_event_at_all_is_no_evidence() -> None:
    assert poisson_overdispersion([0, 0, 0]).p_value == 1
    assert binomial_overdispersion([5, 5], [5, 5]).p_value == 1


def test_too_few_points_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^exposure must"):
        poisson_overdispersion([1, 2], [1, 0])
    with pytest.raises(ValueError, match=r"^inspected must"):
        binomial_overdispersion([1], [3])
