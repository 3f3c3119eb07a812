"""Normality, degrees of freedom of a chart's sigma, and the table of a gauge study."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracelog.stats.constants import mean_deviation, range_moments
from tracelog.stats.freedom import (
    freedom_of_deviations,
    freedom_of_moving_ranges,
    freedom_of_ranges,
)
from tracelog.stats.gauge import gauge_study
from tracelog.stats.gauge_table import variance_table
from tracelog.stats.normality import histogram, normal_plot, normal_tails, shapiro_wilk

# Shapiro and Wilk (1965), Biometrika 52:591-611, example of section 4.1, from memory: W is 0.79
# and its p-value about 0.01; here as Royston's approximation has it.
WEIGHTS = [148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236]


def test_the_published_weights_are_not_normal() -> None:
    assert shapiro_wilk(WEIGHTS) == pytest.approx(0.0067, abs=0.0001)
    assert stats.shapiro(WEIGHTS).statistic == pytest.approx(0.79, abs=0.005)


def test_normal_scores_are_those_of_blom() -> None:
    plot = normal_plot([3.0, 1.0, 2.0])
    assert plot.values.tolist() == [1, 2, 3]
    assert plot.scores == pytest.approx([-0.8694, 0, 0.8694], abs=1e-4)
    assert (plot.mean, plot.sigma) == (2, 1)


def test_three_sigmas_leave_what_everybody_knows() -> None:
    tails = normal_tails(0, 1, -3, 3)
    assert tails.below == tails.above == pytest.approx(0.00134990, abs=1e-8)
    assert normal_tails(0, 1, None, 2).below == 0


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=200))
def test_every_value_is_in_one_bar(values: list[float]) -> None:
    found = histogram(values)
    assert found.counts.sum() == len(values)
    assert 1 <= found.counts.size <= 40
    assert found.edges[0] <= min(values)
    assert max(values) <= found.edges[-1]


@pytest.mark.parametrize("size", [2, 3, 4, 5])
def test_ranges_are_worth_about_nine_tenths(size: int) -> None:
    """Bissell (1990) takes 0.9 k (n - 1) degrees of freedom for k subgroups of n."""
    assert freedom_of_ranges([size] * 25) == pytest.approx(0.9 * 25 * (size - 1), rel=0.03)
    assert freedom_of_ranges([size] * 25) <= freedom_of_deviations([size] * 25) * 1.001


def test_the_degrees_of_freedom_are_those_of_simulated_charts() -> None:
    rng = np.random.default_rng(11)
    x = rng.normal(size=(20_000, 30, 5))
    by_range = np.ptp(x, axis=2).mean(axis=1) / range_moments(5)[0]
    by_deviation = x.std(axis=2, ddof=1).mean(axis=1) / mean_deviation(5)
    moving = np.abs(np.diff(x[:, :, 0])).mean(axis=1) / range_moments(2)[0]
    for sigma, worth in (
        (by_range, freedom_of_ranges([5] * 30)),
        (by_deviation, freedom_of_deviations([5] * 30)),
        (moving, freedom_of_moving_ranges(30)),
    ):
        # The variance of 20,000 estimates is itself uncertain by about 1 %.
        assert 1 / (2 * sigma.var()) == pytest.approx(worth, rel=0.04)


def test_the_table_agrees_with_the_study_and_with_f_tests() -> None:
    rng = np.random.default_rng(12)
    values = rng.normal(size=(6, 3, 2)) + rng.normal(size=(6, 1, 1))
    study = gauge_study(values)
    kept = {row.source: row for row in variance_table(study, 6, 3, 2, pooled=False)}
    assert [row.freedom for row in kept.values()] == [5, 2, 10, 18, 35]
    assert kept["interaction"].f == pytest.approx(study.f_interaction)
    assert kept["interaction"].p == pytest.approx(study.p_interaction)
    ratio = (study.ss_parts / 5) / (study.ss_interaction / 10)
    assert kept["parts"].f == pytest.approx(ratio)
    assert kept["parts"].p == pytest.approx(stats.f.sf(ratio, 5, 10))
    pooled = {row.source: row for row in variance_table(study, 6, 3, 2, pooled=True)}
    assert "interaction" not in pooled
    assert pooled["error"].freedom == 28
    total = sum(row.sum_of_squares for name, row in pooled.items() if name != "total")
    assert total == pytest.approx(study.ss_total)


def test_a_gauge_without_any_error_has_no_ratio_of_its_own() -> None:
    values = np.broadcast_to(np.arange(4.0)[:, None, None], (4, 2, 2))
    table = {row.source: row for row in variance_table(gauge_study(values), 4, 2, 2, pooled=True)}
    assert table["parts"].f == math.inf
    assert table["operators"].f is None


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: shapiro_wilk([1, 1, 1]), "values"),
        (lambda: shapiro_wilk([1, 2]), "values"),
        (lambda: shapiro_wilk(np.arange(5_001)), "values"),
        (lambda: normal_plot([1]), "values"),
        (lambda: histogram([]), "values"),
        (lambda: normal_tails(0, 0, 1), "sigma"),
        (lambda: freedom_of_ranges([1, 5]), "sizes"),
        (lambda: freedom_of_moving_ranges(1), "values"),
        (
            lambda: variance_table(
                gauge_study(np.eye(2)[:, :, None] + [0, 1]), 1, 2, 2, pooled=False
            ),
            "parts",
        ),
    ],
)
def test_what_is_wrong_is_named(call: object, name: str) -> None:
    with pytest.raises(ValueError, match=name):
        call()  # type: ignore[operator]
