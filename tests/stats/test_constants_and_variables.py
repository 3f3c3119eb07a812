"""Factors and charts for measurements."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from tracelog.stats.constants import factors, mean_deviation, range_moments
from tracelog.stats.variables import individuals_chart, xbar_r_chart, xbar_s_chart

VALUES = st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=30)


def test_the_moments_of_the_range_have_their_closed_forms_for_small_sizes() -> None:
    d2, d3 = range_moments(2)
    assert d2 == pytest.approx(2 / math.sqrt(math.pi), abs=1e-10)
    assert d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-10)
    assert range_moments(3)[0] == pytest.approx(3 / math.sqrt(math.pi), abs=1e-10)


@pytest.mark.parametrize("size", [4, 10, 25, 100])
def test_the_mean_range_agrees_with_adaptive_quadrature(size: int) -> None:
    d2, _ = integrate.quad(
        lambda x: 1 - stats.norm.cdf(x) ** size - stats.norm.sf(x) ** size, -10, 10, limit=400
    )
    assert range_moments(size)[0] == pytest.approx(d2, abs=1e-9)


@pytest.mark.parametrize("size", [3, 7, 20])
def test_the_spread_of_the_range_agrees_with_its_studentised_distribution(size: int) -> None:
    """With infinite degrees of freedom the studentised range is the range of normal values."""
    d2, d3 = range_moments(size)
    second, _ = integrate.quad(
        lambda w: 2 * w * stats.studentized_range.sf(w, size, np.inf), 0, 12, limit=200
    )
    assert math.sqrt(second - d2**2) == pytest.approx(d3, abs=1e-5)


def test_the_mean_deviation_is_that_of_the_chi_distribution() -> None:
    for size in (2, 3, 5, 30, 1000):
        expected = stats.chi.mean(size - 1) / math.sqrt(size - 1)
        assert mean_deviation(size) == pytest.approx(expected)


def test_factors_narrow_with_the_size_of_the_subgroup() -> None:
    rows = [factors(size) for size in range(2, 30)]
    assert all(one.a2 > two.a2 and one.b4 > two.b4 for one, two in pairwise(rows))
    assert all(one.b3 <= two.b3 for one, two in pairwise(rows))


@given(VALUES, st.floats(-100, 100), st.floats(0.1, 10))
def test_an_individuals_chart_moves_with_origin_and_unit(
    values: list[float], shift: float, scale: float
) -> None:
    x = np.array(values)
    one, other = individuals_chart(x), individuals_chart(shift + scale * x)
    np.testing.assert_allclose(
        other.level.upper, shift + scale * one.level.upper, rtol=1e-6, atol=1e-6
    )
    np.testing.assert_allclose(other.spread.upper, scale * one.spread.upper, rtol=1e-6, atol=1e-6)


def test_moving_ranges_across_the_edge_of_the_baseline_do_not_count() -> None:
    mask = [True, True, True, False, True, True]
    chart = individuals_chart([1, 2, 1, 90, 2, 1], baseline=mask)
    assert chart.spread.centre == 1
    assert chart.level.centre == pytest.approx(1.4)
    assert chart.level.outside.tolist() == [3]
    assert np.isnan(chart.spread.statistic[0])


def test_the_limits_of_five_values_are_those_of_the_table() -> None:
    groups = np.arange(40.0).reshape(8, 5) % 7
    ranges, deviations = np.ptp(groups, axis=1).mean(), groups.std(axis=1, ddof=1).mean()
    by_range, by_deviation = xbar_r_chart(groups), xbar_s_chart(groups)
    grand = groups.mean()
    assert by_range.level.upper[0] == pytest.approx(grand + 0.577 * ranges, abs=2e-3)
    assert by_range.spread.upper[0] == pytest.approx(2.114 * ranges, abs=5e-3)
    assert by_range.spread.lower[0] == 0
    assert by_deviation.level.lower[0] == pytest.approx(grand - 1.427 * deviations, abs=2e-3)
    assert by_deviation.spread.upper[0] == pytest.approx(2.089 * deviations, abs=5e-3)


def test_subgroups_may_differ_in_size() -> None:
    chart = xbar_s_chart([[1.0, 2.0], [1.0, 2.0, 3.0, 2.0], [2.0, 1.0, 2.0]])
    width = chart.level.upper - chart.level.centre
    np.testing.assert_allclose(width, 3 * chart.sigma / np.sqrt([2, 4, 3]))
    expected = chart.sigma * np.array([mean_deviation(n) for n in (2, 4, 3)])
    np.testing.assert_allclose(chart.spread.centre_line, expected)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: range_moments(1), "size"),
        (lambda: individuals_chart([1.0]), "values"),
        (lambda: individuals_chart([1.0, np.inf]), "values"),
        (lambda: individuals_chart([1.0, 2, 3], baseline=[True, False, True]), "baseline"),
        (lambda: xbar_r_chart([[1.0]]), "subgroups"),
        (lambda: xbar_s_chart([]), "subgroups"),
        (lambda: xbar_s_chart([[1.0, 2.0]], sigmas=-1), "sigmas"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
