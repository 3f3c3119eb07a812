"""Lifetimes, replacement by age, repairable machines, change points."""

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from tracelog.stats.change_point import poisson_change_point
from tracelog.stats.kaplan_meier import kaplan_meier
from tracelog.stats.lifetimes import exponential_life, fit_weibull
from tracelog.stats.repairable import mean_cumulative_failures, power_law_process
from tracelog.stats.replacement import (
    age_replacement,
    replacement_cost_rate,
    replacement_saving,
)

with warnings.catch_warnings():
    # The reference library warns of its own dependencies when it is loaded.
    warnings.simplefilter("ignore")
    from lifelines import KaplanMeierFitter, WeibullFitter


def censored_lives(
    seed: int, shape: float, scale: float, size: int
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    lives, pulled = scale * rng.weibull(shape, size), scale * rng.uniform(0.2, 2, size)
    return np.minimum(lives, pulled), lives <= pulled


@pytest.mark.parametrize(("seed", "shape"), [(1, 0.7), (2, 1.0), (3, 3.5)])
def test_the_weibull_fit_agrees_with_the_reference_library(seed: int, shape: float) -> None:
    ages, failed = censored_lives(seed, shape, 8e6, 60)
    fit = fit_weibull(ages, failed)
    # The reference is fitted in units of the scale, where its optimiser is steady.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = WeibullFitter().fit(ages / 8e6, failed)
    assert fit.shape == pytest.approx(reference.rho_, rel=1e-4)
    assert fit.scale == pytest.approx(8e6 * reference.lambda_, rel=1e-4)
    failures = int(failed.sum())
    assert fit.log_likelihood == pytest.approx(
        reference.log_likelihood_ - failures * math.log(8e6), rel=1e-6
    )
    variance = reference.variance_matrix_
    of_shape, of_scale = (math.sqrt(variance.loc[name, name]) for name in ("rho_", "lambda_"))
    assert math.sqrt(fit.covariance[0, 0]) * fit.shape == pytest.approx(of_shape, rel=1e-3)
    assert math.sqrt(fit.covariance[1, 1]) * fit.scale / 8e6 == pytest.approx(of_scale, rel=1e-3)


@settings(deadline=None, max_examples=50)
@given(st.floats(1e-6, 1e9), st.integers(0, 1000))
def test_the_unit_of_age_does_not_matter(unit: float, seed: int) -> None:
    ages, failed = censored_lives(seed, 1.8, 1.0, 25)
    if failed.sum() == 0 or (ages[failed] >= ages.max()).all():
        return
    one, other = fit_weibull(ages, failed), fit_weibull(ages * unit, failed)
    assert other.shape == pytest.approx(one.shape, rel=1e-9)
    assert other.scale == pytest.approx(one.scale * unit, rel=1e-9)


def test_a_fitted_weibull_answers_for_lives_and_chances() -> None:
    ages, failed = censored_lives(5, 2.0, 100.0, 80)
    fit = fit_weibull(ages, failed)
    known = stats.weibull_min(fit.shape, scale=fit.scale)
    assert fit.mean == pytest.approx(known.mean())
    assert fit.standard_deviation == pytest.approx(known.std())
    np.testing.assert_allclose(fit.survival([10, 100]), known.sf([10, 100]))
    assert float(fit.chance_of_failure(50, 30)) == pytest.approx(1 - known.sf(80) / known.sf(50))
    tenth = fit.life(0.10)
    assert tenth.estimate == pytest.approx(known.ppf(0.10))
    assert tenth.low < tenth.estimate < tenth.high


def test_the_interval_of_the_shape_covers_as_often_as_it_says() -> None:
    covered = 0
    for seed in range(300):
        ages, failed = censored_lives(seed, 1.5, 1.0, 60)
        interval = fit_weibull(ages, failed).shape_interval(0.90)
        covered += interval.low <= 1.5 <= interval.high
    assert stats.binomtest(covered, 300, 0.90).pvalue > 0.001


def test_lives_that_fix_no_weibull_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^failed must hold at least one failure"):
        fit_weibull([1.0, 2.0], [False, False])
    with pytest.raises(ValueError, match=r"^ages must hold a failure below"):
        fit_weibull([1.0, 2.0, 2.0], [False, True, True])


def test_the_exponential_interval_holds_without_a_failure() -> None:
    life = exponential_life([100.0, 200.0], [False, False])
    assert life.mean == math.inf
    assert life.high == math.inf
    assert life.low == pytest.approx(300 / 3.6889, rel=1e-4)


@given(
    st.lists(st.tuples(st.integers(1, 20), st.booleans()), min_size=1, max_size=30).filter(
        lambda lives: any(failed for _, failed in lives)
    )
)
@settings(deadline=None, max_examples=40)
def test_kaplan_meier_agrees_with_the_reference_library(lives: list[tuple[int, bool]]) -> None:
    ages, failed = [float(age) for age, _ in lives], [failed for _, failed in lives]
    curve = kaplan_meier(ages, failed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = KaplanMeierFitter().fit(ages, failed)
        expected = reference.survival_function_at_times(curve.ages)
        ends = reference.confidence_interval_survival_function_.loc[curve.ages]
    np.testing.assert_allclose(curve.survival, expected, atol=1e-12)
    alive = curve.survival > 0
    np.testing.assert_allclose(curve.low[alive], ends.iloc[:, 0][alive], atol=1e-9)
    np.testing.assert_allclose(curve.high[alive], ends.iloc[:, 1][alive], atol=1e-9)


def test_kaplan_meier_between_its_steps() -> None:
    curve = kaplan_meier([2.0, 4.0, 6.0, 8.0], [True, False, True, False])
    assert curve.at(1) == 1
    assert curve.at(2) == curve.at(5.9) == 0.75
    assert curve.at(100) == pytest.approx(0.375)
    assert curve.median() == 6
    assert math.isnan(kaplan_meier([1.0, 2, 3, 4], [True, False, False, False]).median())


@given(st.floats(1.2, 6), st.floats(1.5, 100))
@settings(deadline=None, max_examples=40)
def test_no_other_age_of_replacement_costs_less(shape: float, ratio: float) -> None:
    best = age_replacement(shape, 1000.0, 1.0, ratio)
    ages = 1000 * np.geomspace(1e-3, 20, 4000)
    costs = replacement_cost_rate(ages, shape, 1000.0, 1.0, ratio)
    assert best.cost_rate <= costs.min() * (1 + 1e-9)
    assert best.cost_rate <= best.run_to_failure_cost_rate
    if best.worthwhile:
        assert best.saving == pytest.approx(1 - best.cost_rate / best.run_to_failure_cost_rate)


def test_the_cost_rate_is_expected_cost_over_expected_time() -> None:
    alive, _ = integrate.quad(lambda t: math.exp(-((t / 1000) ** 2.5)), 0, 700)
    survival = math.exp(-(0.7**2.5))
    expected = (1 * survival + 5 * (1 - survival)) / alive
    assert float(replacement_cost_rate(700, 2.5, 1000, 1, 5)) == pytest.approx(expected)


@pytest.mark.parametrize(("shape", "failure_cost"), [(1.0, 50.0), (0.6, 50.0), (3.0, 1.0)])
def test_replacing_by_age_is_refused_where_it_cannot_help(
    shape: float, failure_cost: float
) -> None:
    best = age_replacement(shape, 1000.0, 1.0, failure_cost)
    assert not best.worthwhile
    assert best.interval == math.inf
    assert best.cost_rate == pytest.approx(failure_cost / (1000 * math.gamma(1 + 1 / shape)))


def test_machines_with_different_ends_fit_the_likelihoods_top() -> None:
    ages, ends = [[5.0, 30, 90], [12.0], [1.0, 2, 50, 51]], [100.0, 40.0, 60.0]
    result = power_law_process(ages, ends)

    def log_likelihood(shape: float) -> float:
        intensity = 8 / sum(end**shape for end in ends)
        logs = sum(math.log(t) for machine in ages for t in machine)
        return 8 * math.log(intensity * shape) + (shape - 1) * logs - 8

    top = log_likelihood(result.shape)
    assert top > log_likelihood(result.shape * 1.01)
    assert top > log_likelihood(result.shape * 0.99)
    assert math.isnan(result.cramer_von_mises)


def test_worsening_and_improving_machines_are_told_apart() -> None:
    worse = power_law_process([[600.0, 800, 900, 950, 980, 990, 995]], 1000)
    better = power_law_process([[5.0, 10, 20, 50, 100, 200, 400]], 1000)
    assert worse.shape > 1 > better.shape
    assert worse.laplace > 1.96
    assert better.laplace < -1.96
    assert worse.p_value < 0.05
    assert better.p_value < 0.05


def test_the_trend_test_is_uniform_when_there_is_no_trend() -> None:
    rng = np.random.default_rng(8)
    p_values = [power_law_process([rng.uniform(0, 100, 12)], 100).p_value for _ in range(400)]
    assert stats.kstest(p_values, "uniform").pvalue > 0.001


def test_mean_cumulative_failures_count_only_machines_still_watched() -> None:
    ages, mean = mean_cumulative_failures([[1.0, 2.0], [3.0]], [4.0, 3.5])
    assert ages.tolist() == [1, 2, 3]
    assert mean.tolist() == [0.5, 1.0, 1.5]
    _, later = mean_cumulative_failures([[1.0, 3.8], []], [4.0, 2.0])
    assert later.tolist() == [0.5, 1.5]


@given(st.lists(st.integers(0, 30), min_size=2, max_size=40))
def test_the_posterior_of_the_change_is_a_distribution(counts: list[int]) -> None:
    result = poisson_change_point(counts)
    assert result.posterior.size == len(counts) - 1
    assert result.posterior.sum() == pytest.approx(1)
    assert 0 <= result.probability_of_change <= 1
    assert result.twice_log_ratio >= 0


def test_a_plain_change_is_found_and_a_steady_rate_is_not_torn_apart() -> None:
    change = poisson_change_point([1, 2, 1, 2, 1, 9, 11, 10, 9], exposure=1e5)
    assert change.last_before == change.most_probable == 4
    assert change.rate_before == pytest.approx(1.4e-5)
    assert change.probability_of_change > 0.99
    assert poisson_change_point([5, 4, 6, 5, 5, 4, 6, 5]).probability_of_change < 0.3


def test_exposure_explains_a_change_of_counts() -> None:
    counts, exposure = [10, 11, 9, 30, 31, 29], [1, 1, 1, 3, 3, 3]
    assert poisson_change_point(counts, exposure).probability_of_change < 0.3
    assert poisson_change_point(counts).probability_of_change > 0.99


def test_the_odds_of_a_change_are_a_ratio_of_integrals() -> None:
    counts, (a, b) = [3, 9], (2.0, 0.5)

    def evidence(events: list[int]) -> float:
        value, _ = integrate.quad(
            lambda r: (
                stats.gamma.pdf(r, a, scale=1 / b) * float(np.prod(stats.poisson.pmf(events, r)))
            ),
            0,
            60,
        )
        return value

    odds = evidence([3]) * evidence([9]) / evidence([3, 9])
    result = poisson_change_point(counts, prior=(a, b))
    assert result.probability_of_change == pytest.approx(odds / (1 + odds), rel=1e-6)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: fit_weibull([0.0, 1.0], [True, True]), "ages"),
        (lambda: fit_weibull([1.0, 2.0], [True]), "failed"),
        (lambda: fit_weibull([1.0, 2.0], [2, 0]), "failed"),
        (lambda: kaplan_meier([], []), "ages"),
        (lambda: exponential_life([1.0], [True], confidence=0), "confidence"),
        (lambda: age_replacement(0, 1, 1, 5), "shape"),
        (lambda: age_replacement(2, 1, 0, 5), "planned_cost"),
        (lambda: replacement_cost_rate(0, 2, 1, 1, 5), "interval"),
        (lambda: power_law_process([], 10), "failure_ages"),
        (lambda: power_law_process([[5.0, 20.0]], 10), "failure_ages"),
        (lambda: power_law_process([[5.0]], 10), "failure_ages"),
        (lambda: power_law_process([[5.0, 6.0]], [10, 20]), "ends"),
        (lambda: mean_cumulative_failures([[11.0]], 10), "failure_ages"),
        (lambda: poisson_change_point([1]), "counts"),
        (lambda: poisson_change_point([1, 2], [1, 0]), "exposure"),
        (lambda: poisson_change_point([1, 2], prior=(0, 1)), "prior"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()


def test_the_saving_against_todays_interval_is_the_difference_of_two_cost_rates() -> None:
    ages, failed = censored_lives(4, 2.5, 1000, 200)
    fit = fit_weibull(ages, failed)
    result = replacement_saving(fit, 1.0, 5.0, 700.0)
    now = float(replacement_cost_rate(700, fit.shape, fit.scale, 1, 5))
    assert result.best == age_replacement(fit.shape, fit.scale, 1, 5)
    assert result.cost_rate_now == pytest.approx(now)
    assert result.saving == pytest.approx(now - result.best.cost_rate)
    assert result.saving_low < result.saving < result.saving_high
    assert result.interval_low < result.best.interval < result.interval_high < math.inf
    assert result.best.saving < result.most_share < 1
    # With the true life the saving of that interval lies in the interval given.
    true = replacement_cost_rate([700, result.best.interval], 2.5, 1000, 1, 5)
    assert result.saving_low <= float(true[0] - true[1]) <= result.saving_high


def test_any_interval_may_be_held_against_todays() -> None:
    fit = fit_weibull(*censored_lives(4, 2.5, 1000, 200))
    back = replacement_saving(fit, 1.0, 5.0, 300.0, 700.0)
    forth = replacement_saving(fit, 1.0, 5.0, 700.0, 300.0)
    assert back.interval_then == 700
    assert back.saving == pytest.approx(-forth.saving)
    assert (back.saving_low, back.saving_high) == pytest.approx(
        (-forth.saving_high, -forth.saving_low)
    )


def test_todays_interval_may_be_running_to_failure_or_the_best_one() -> None:
    ages, failed = censored_lives(4, 2.5, 1000, 200)
    fit = fit_weibull(ages, failed)
    endless = replacement_saving(fit, 1.0, 5.0, math.inf)
    assert endless.cost_rate_now == pytest.approx(endless.best.run_to_failure_cost_rate)
    assert endless.saving > 0
    same = replacement_saving(fit, 1.0, 5.0, endless.best.interval)
    assert same.saving == pytest.approx(0, abs=1e-12)


def test_where_age_does_not_matter_nothing_is_saved_by_it() -> None:
    ages, failed = censored_lives(6, 1.0, 1000, 400)
    fit = fit_weibull(ages, failed)
    result = replacement_saving(fit, 1.0, 5.0, math.inf)
    assert result.interval_high == math.inf
    assert result.most_share < 0.05
    cheap = replacement_saving(fit, 5.0, 5.0, math.inf)
    assert cheap.interval_low == math.inf
    assert cheap.saving == 0


def test_the_saving_covers_the_truth_as_often_as_it_says() -> None:
    covered = 0
    for seed in range(200):
        fit = fit_weibull(*censored_lives(seed, 2.0, 1.0, 60))
        result = replacement_saving(fit, 1.0, 5.0, math.inf, confidence=0.9)
        rates = replacement_cost_rate([math.inf, result.best.interval], 2.0, 1.0, 1, 5)
        covered += result.saving_low <= float(rates[0] - rates[1]) <= result.saving_high
    assert covered >= 170


def test_an_interval_far_below_any_life_costs_one_planned_replacement_each() -> None:
    rates = replacement_cost_rate([1.0, 1e-3], 39.0, 2e8, 3.0, 5.0)
    np.testing.assert_allclose(rates, [3.0, 3000.0])


def test_a_shape_beyond_sense_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"^shape must be 0\.01 or more"):
        replacement_cost_rate(10.0, 0.001, 1.0, 1, 5)
    with pytest.raises(ValueError, match=r"^scale must be above 0"):
        replacement_cost_rate(10.0, 1.0, 0.0, 1, 5)
    with pytest.raises(ValueError, match=r"^interval must be finite"):
        replacement_cost_rate(math.nan, 1.0, 1.0, 1, 5)
