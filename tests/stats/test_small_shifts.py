"""EWMA, CUSUM of measurements and of counts."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.stats.count_cusum import (
    arl_for_budget,
    cusum_threshold,
    likelihood_cusum,
    likelihood_cusum_arl,
    log_likelihood_steps,
    poisson_cusum_arl,
)
from tracelog.stats.cusum import cusum_arl, siegmund_arl, tabular_cusum
from tracelog.stats.ewma import ewma_arl, ewma_chart

VALUES = st.lists(st.floats(-5, 5), min_size=1, max_size=40)


@given(VALUES)
def test_an_ewma_of_weight_one_is_the_series_itself(values: list[float]) -> None:
    chart = ewma_chart(values, centre=0, sigma=1, weight=1)
    np.testing.assert_allclose(chart.statistic, values)
    np.testing.assert_allclose(chart.upper, 3)


@given(VALUES, st.floats(0.05, 1))
def test_an_ewma_agrees_with_pandas(values: list[float], weight: float) -> None:
    import pandas as pd

    chart = ewma_chart(values, centre=0.5, sigma=1, weight=weight)
    reference = pd.Series([0.5, *values]).ewm(alpha=weight, adjust=False).mean().iloc[1:]
    np.testing.assert_allclose(chart.statistic, reference, atol=1e-9)


def test_ewma_limits_grow_to_the_steady_ones() -> None:
    growing = ewma_chart(np.zeros(60), 0, 1, 0.2)
    steady = ewma_chart(np.zeros(60), 0, 1, 0.2, steady_limits=True)
    assert (np.diff(growing.upper) >= 0).all()
    assert growing.upper[0] == pytest.approx(3 * 0.2)
    assert growing.upper[-1] == pytest.approx(steady.upper[0])


def test_an_ewma_of_weight_one_runs_as_long_as_a_plain_chart() -> None:
    assert ewma_arl(1.0, 3.0) == pytest.approx(370.3983, rel=1e-4)


@given(VALUES, st.floats(0, 1), st.floats(0.1, 3))
def test_the_two_sums_mirror_each_other(values: list[float], k: float, h: float) -> None:
    one = tabular_cusum(values, 0, k, h)
    other = tabular_cusum([-x for x in values], 0, k, h)
    np.testing.assert_allclose(one.high, other.low)
    assert one.outside_low.tolist() == other.outside_high.tolist()
    assert (one.high >= 0).all()


def test_the_sum_tells_when_the_shift_began() -> None:
    result = tabular_cusum([0, 0, 0, 0, 2, 2, 2, 2], target=0, k=0.5, h=4)
    assert result.outside_high.tolist() == [6, 7]
    assert result.since_high[6] == 4


def test_a_head_start_shortens_the_run_and_fades() -> None:
    fast = tabular_cusum([2.0, 2.0], target=0, k=0.5, h=4, head_start=2)
    assert fast.outside_high.tolist() == [1]
    assert cusum_arl(0.5, 4, 1, head_start=2) < cusum_arl(0.5, 4, 1)


def test_run_lengths_of_the_cusum_agree_with_simulated_ones() -> None:
    rng = np.random.default_rng(3)
    lengths = []
    for _ in range(2000):
        result = tabular_cusum(rng.normal(1, 1, size=150), 0, 0.5, 4)
        lengths.append(result.outside_high[0] + 1)
    error = np.std(lengths) / math.sqrt(len(lengths))
    assert abs(np.mean(lengths) - cusum_arl(0.5, 4, 1)) < 4 * error


def test_siegmunds_approximation_is_close_and_continuous_where_drift_is_zero() -> None:
    assert siegmund_arl(0.5, 5, 1) == pytest.approx(cusum_arl(0.5, 5, 1), rel=0.02)
    assert siegmund_arl(0.5, 4, 0.5) == pytest.approx(siegmund_arl(0.5, 4, 0.5 + 1e-5), rel=1e-3)


def test_the_steps_are_differences_of_log_likelihoods() -> None:
    from scipy import stats

    counts, expected = np.array([0, 3, 9]), np.array([0.5, 2.0, 4.0])
    poisson = stats.poisson.logpmf(counts, 3 * expected) - stats.poisson.logpmf(counts, expected)
    np.testing.assert_allclose(log_likelihood_steps(counts, expected, 3.0)[:, 0], poisson)

    def negative_binomial(mean: np.ndarray) -> np.ndarray:
        return stats.nbinom.logpmf(counts, 1.5, 1.5 / (1.5 + mean))

    steps = log_likelihood_steps(counts, expected, 3.0, shape=1.5)[:, 0]
    reference = negative_binomial(3 * expected) - negative_binomial(expected)
    np.testing.assert_allclose(steps, reference)


def test_a_large_shape_is_the_poisson_test() -> None:
    one = log_likelihood_steps([4, 0], [2.0, 3.0], [2.0])
    other = log_likelihood_steps([4, 0], [2.0, 3.0], [2.0], shape=1e9)
    np.testing.assert_allclose(one, other, rtol=1e-6)


@given(
    st.lists(st.tuples(st.integers(0, 9), st.floats(0, 4)), min_size=1, max_size=30),
    st.integers(0, 30),
)
def test_a_period_without_exposure_changes_nothing(
    periods: list[tuple[int, float]], place: int
) -> None:
    place = min(place, len(periods))
    longer = [*periods[:place], (0, 0.0), *periods[place:]]

    def last(series: list[tuple[int, float]]) -> np.ndarray:
        counts, expected = [p[0] for p in series], [p[1] for p in series]
        return likelihood_cusum(counts, expected, [2.0, 5.0], 1e9, restart=False).scores[-1]

    np.testing.assert_allclose(last(longer), last(periods), atol=1e-12)


def test_many_series_at_once_are_each_as_if_alone() -> None:
    rng = np.random.default_rng(5)
    expected = rng.uniform(0, 2, size=(80, 6))
    counts = rng.poisson(expected * 1.5)
    counts[expected == 0] = 0
    panel = likelihood_cusum(counts, expected, [1.5, 3.0], [2.5, 3.0])
    for series in range(6):
        alone = likelihood_cusum(counts[:, series], expected[:, series], [1.5, 3.0], [2.5, 3.0])
        np.testing.assert_array_equal(panel.scores[:, series], alone.scores)
        np.testing.assert_array_equal(panel.signalled[:, series], alone.signalled)


def test_a_risen_rate_is_found_with_the_time_it_began() -> None:
    counts = [1] * 30 + [5] * 6
    result = likelihood_cusum(counts, np.ones(36), [2.0, 4.0], 5.0)
    first = int(np.flatnonzero(result.signalled)[0])
    assert 31 <= first <= 33
    assert result.since[first, result.best[first]] == 30


def test_a_fallen_rate_is_found_with_a_ratio_below_one() -> None:
    counts = [4] * 20 + [0] * 5
    result = likelihood_cusum(counts, np.full(25, 4.0), 0.25, 5.0)
    assert np.flatnonzero(result.signalled).tolist()[0] == 21


def test_after_a_signal_the_score_starts_again_unless_told_not_to() -> None:
    counts, expected = [9, 9, 9], [1.0, 1.0, 1.0]
    again = likelihood_cusum(counts, expected, 2.0, 3.0)
    running = likelihood_cusum(counts, expected, 2.0, 3.0, restart=False)
    assert again.scores[:, 0].tolist() == pytest.approx([9 * math.log(2) - 1] * 3)
    assert running.scores[2, 0] == pytest.approx(3 * (9 * math.log(2) - 1))


def run_length(mean: float, ratio: float, threshold: float, shape: float | None) -> float:
    rng = np.random.default_rng(17)
    size = (8000, 600)
    rates = np.full(size, mean) if shape is None else rng.gamma(shape, mean / shape, size=size)
    result = likelihood_cusum(rng.poisson(rates), np.full(size, mean), ratio, threshold, shape)
    return float(result.signalled.size / result.signalled.sum())


@pytest.mark.parametrize(
    ("mean", "ratio", "threshold", "shape"),
    [
        (1, 2, 3, None),
        (2, 2, 3, 3.0),
        (0.05, 3, 3, None),
        (0.01, 3, 2, None),
        (0.01, 4, 2, 0.5),
        (2, 0.5, 3, None),
    ],
)
def test_false_signals_come_as_often_as_the_run_length_says(
    mean: float, ratio: float, threshold: float, shape: float | None
) -> None:
    expected = likelihood_cusum_arl(mean, ratio, threshold, shape)
    assert run_length(mean, ratio, threshold, shape) == pytest.approx(expected, rel=0.06)


def test_the_likelihood_test_is_the_lattice_test_in_other_units() -> None:
    """With R chosen so that k = (R - 1) / ln R is 2 the score is ln R times Lucas's sum."""
    ratio = 3.512861
    assert (ratio - 1) / math.log(ratio) == pytest.approx(2, abs=1e-6)
    own = likelihood_cusum_arl(1.0, ratio, 6 * math.log(ratio) * (1 - 1e-9))
    assert own == pytest.approx(poisson_cusum_arl(1.0, 2, 6), rel=1e-6)


def test_the_poisson_run_length_on_a_fine_lattice_joins_that_on_a_coarse_one() -> None:
    assert poisson_cusum_arl(1.0, 1.5, 4) == pytest.approx(poisson_cusum_arl(1.0, 1.5, 4.0))
    assert poisson_cusum_arl(1.0, 1.5, 4) < poisson_cusum_arl(1.0, 1.5, 4.5)
    assert poisson_cusum_arl(1.0, 1.25, 4) < poisson_cusum_arl(1.0, 1.5, 4)


@pytest.mark.parametrize(("expected", "ratio"), [(1.0, 2.0), (0.02, 4.0), (5.0, 0.5)])
def test_the_threshold_keeps_the_run_length_and_lordens_bound(
    expected: float, ratio: float
) -> None:
    threshold = cusum_threshold(expected, ratio, 1000)
    assert threshold <= math.log(1000)
    assert likelihood_cusum_arl(expected, ratio, threshold) >= 1000
    assert likelihood_cusum_arl(expected, ratio, threshold * 0.9) < 1000


def test_the_budget_is_shared_by_all_tests() -> None:
    assert arl_for_budget(640, 3, 1 / 168) == pytest.approx(322_560)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: ewma_chart([], 0, 1), "values"),
        (lambda: ewma_chart([1], 0, 0), "sigma"),
        (lambda: ewma_chart([1], 0, 1, weight=1.5), "weight"),
        (lambda: ewma_arl(0.2, 0), "sigmas"),
        (lambda: tabular_cusum([1], 0, -1, 4), "k"),
        (lambda: tabular_cusum([1], 0, 1, 0), "h"),
        (lambda: cusum_arl(0.5, 4, head_start=5), "head_start"),
        (lambda: likelihood_cusum([1], [1.0], [1.0], 3), "ratios"),
        (lambda: likelihood_cusum([1], [-1.0], [2.0], 3), "expected"),
        (lambda: likelihood_cusum([1], [1.0], [2.0], 0), "thresholds"),
        (lambda: likelihood_cusum([1], [1.0], [2.0], 3, shape=0), "shape"),
        (lambda: likelihood_cusum(1, 1.0, [2.0], 3), "counts"),
        (lambda: poisson_cusum_arl(0, 2, 6), "mean"),
        (lambda: poisson_cusum_arl(1, 2, 6, head_start=6), "head_start"),
        (lambda: cusum_threshold(1.0, 2.0, 1.0), "arl"),
        (lambda: arl_for_budget(1, 1, 0), "false_signals_per_period"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
