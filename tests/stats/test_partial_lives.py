"""Lives seen only in part: late entries, profile likelihood, Weibull paper, assumed shape."""

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from tracelog.stats.assumed_shape import scale_given_shape
from tracelog.stats.kaplan_meier import kaplan_meier
from tracelog.stats.lifetimes import exponential_life, fit_weibull
from tracelog.stats.probability_plot import depth_of, weibull_plot
from tracelog.stats.weibull_likelihood import weibull_log_likelihood

with warnings.catch_warnings():
    # The reference library warns of its own dependencies when it is loaded.
    warnings.simplefilter("ignore")
    from lifelines import KaplanMeierFitter, WeibullFitter
    from lifelines.datasets import load_multicenter_aids_cohort_study, load_waltons

Lives = tuple[np.ndarray, np.ndarray, np.ndarray]


def lives_seen_in_part(seed: int, shape: float, size: int, scale: float = 1.0) -> Lives:
    """Lives that must outlive a random age of entry to be seen, and may be pulled before they end.

    Two in three are watched from new.
    """
    rng = np.random.default_rng(seed)
    kept: list[tuple[float, bool, float]] = []
    while len(kept) < size:
        life = rng.weibull(shape)
        entry = 0.0 if rng.random() < 2 / 3 else rng.uniform(0, 1.2)
        pulled = entry + rng.uniform(0.2, 2)
        if life > entry:
            kept.append((min(life, pulled), life <= pulled, entry))
    ages, failed, entries = (np.array(column) for column in zip(*kept, strict=True))
    return ages * scale, failed, entries * scale


@pytest.mark.parametrize(("seed", "shape"), [(1, 0.7), (2, 1.0), (3, 3.5)])
def test_fits_with_late_entries_agree_with_the_reference_library(seed: int, shape: float) -> None:
    ages, failed, entries = lives_seen_in_part(seed, shape, 80)
    fit = fit_weibull(ages, failed, entries)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = WeibullFitter().fit(ages, failed, entry=entries)
    assert fit.shape == pytest.approx(reference.rho_, rel=1e-4)
    assert fit.scale == pytest.approx(reference.lambda_, rel=1e-4)
    assert fit.log_likelihood == pytest.approx(reference.log_likelihood_, rel=1e-7)
    assert fit.log_likelihood == pytest.approx(
        weibull_log_likelihood(fit.shape, fit.scale, ages, failed, entries)
    )
    variance = reference.variance_matrix_
    of_shape, of_scale = (math.sqrt(variance.loc[name, name]) for name in ("rho_", "lambda_"))
    assert math.sqrt(fit.covariance[0, 0]) * fit.shape == pytest.approx(of_shape, rel=1e-3)
    assert math.sqrt(fit.covariance[1, 1]) * fit.scale == pytest.approx(of_scale, rel=1e-3)


def test_the_fit_agrees_with_scipy_on_censored_lives() -> None:
    ages, failed, _ = lives_seen_in_part(7, 1.7, 50)
    order = np.argsort(~failed)
    data = stats.CensoredData.right_censored(ages[order], ~failed[order])
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    fit = fit_weibull(ages, failed)
    assert fit.shape == pytest.approx(shape, rel=1e-3)
    assert fit.scale == pytest.approx(scale, rel=1e-3)


def test_published_data_sets_agree_with_the_reference_library() -> None:
    entered = load_multicenter_aids_cohort_study()
    ages, failed, entries = (entered[name].to_numpy() for name in ("T", "D", "W"))
    walton = load_waltons()
    for lives in ((ages, failed, entries), (walton["T"].to_numpy(), walton["E"].to_numpy(), None)):
        curve = kaplan_meier(*lives)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            reference = KaplanMeierFitter().fit(lives[0], lives[1], entry=lives[2])
            expected = reference.survival_function_at_times(curve.ages)
            fitted = WeibullFitter().fit(lives[0], lives[1], entry=lives[2])
        np.testing.assert_allclose(curve.survival, expected, atol=1e-12)
        assert fit_weibull(*lives).shape == pytest.approx(fitted.rho_, rel=1e-4)


@given(st.integers(0, 10_000))
@settings(deadline=None, max_examples=40)
def test_kaplan_meier_with_late_entries_agrees_with_the_reference_library(seed: int) -> None:
    ages, failed, entries = lives_seen_in_part(seed, 1.5, 25)
    if not failed.any():
        return
    curve = kaplan_meier(ages, failed, entries)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = KaplanMeierFitter().fit(ages, failed, entry=entries)
        expected = reference.survival_function_at_times(curve.ages)
    np.testing.assert_allclose(curve.survival, expected, atol=1e-12)
    assert ((curve.at_risk >= curve.failures) & (curve.at_risk <= 25)).all()


def test_a_part_is_at_risk_from_just_after_its_entry() -> None:
    curve = kaplan_meier([2.0, 3.0, 4.0], [True, True, False], [0.0, 2.0, 0.0])
    assert curve.at_risk.tolist() == [2, 2]
    assert curve.survival.tolist() == [0.5, 0.25]
    assert curve.begins == 0
    # All that were at risk failed: nothing is known of what follows, and the curve stays at 0.
    early = kaplan_meier([1.0, 5.0, 6.0], [True, True, False], [0.5, 2.0, 2.0])
    assert early.survival.tolist() == [0, 0]
    assert early.standard_error.tolist() == [0, 0]
    assert early.begins == 0.5


@given(st.integers(0, 10_000), st.sampled_from([0.6, 1.0, 2.5]))
@settings(deadline=None, max_examples=30)
def test_entries_of_zero_change_nothing_at_all(seed: int, shape: float) -> None:
    ages, failed, _ = lives_seen_in_part(seed, shape, 12)
    if not (failed & (ages < ages.max())).any():
        return
    zeros = np.zeros(ages.shape)
    one, other = fit_weibull(ages, failed), fit_weibull(ages, failed, zeros)
    assert (one.shape, one.scale, one.log_likelihood) == (
        other.shape,
        other.scale,
        other.log_likelihood,
    )
    assert one.life(0.1) == other.life(0.1)
    assert kaplan_meier(ages, failed).low.tolist() == kaplan_meier(ages, failed, zeros).low.tolist()


@given(st.floats(1e-6, 1e9), st.integers(0, 1000))
@settings(deadline=None, max_examples=40)
def test_the_unit_of_age_does_not_matter_to_intervals(unit: float, seed: int) -> None:
    ages, failed, entries = lives_seen_in_part(seed, 1.8, 25)
    if not (failed & (ages < ages.max())).any():
        return
    one = fit_weibull(ages, failed, entries)
    other = fit_weibull(ages * unit, failed, entries * unit)
    assert other.shape == pytest.approx(one.shape, rel=1e-7)
    for name in ("low", "high"):
        first, second = (getattr(fit.shape_interval(), name) for fit in (one, other))
        assert second == pytest.approx(first, rel=1e-6, abs=1e-9)
        first, second = (getattr(fit.life(0.1), name) for fit in (one, other))
        assert second == pytest.approx(first * unit, rel=1e-5)


@pytest.mark.parametrize(("seed", "size"), [(3, 30), (4, 8), (5, 200)])
def test_profile_intervals_are_where_the_likelihood_ratio_says(seed: int, size: int) -> None:
    ages, failed, entries = lives_seen_in_part(seed, 2.0, size)
    fit = fit_weibull(ages, failed, entries)
    cut = fit.log_likelihood - stats.chi2.ppf(0.9, 1) / 2

    def best_with(log_age: float, depth: float) -> float:
        """Highest log likelihood of all fits by which a share has failed at that age."""

        def missing(log_shape: float) -> float:
            shape = math.exp(log_shape)
            scale = math.exp(log_age - depth / shape)
            return -weibull_log_likelihood(shape, scale, ages, failed, entries)

        return -float(
            optimize.minimize_scalar(
                missing, bounds=(-3, 4), method="bounded", options={"xatol": 1e-10}
            ).fun
        )

    for share in (1 - math.exp(-1), 0.10, 0.9):
        interval = fit.life(share, 0.9)
        depth = math.log(-math.log1p(-share))
        for end in (interval.low, interval.high):
            assert best_with(math.log(end), depth) == pytest.approx(cut, abs=1e-5)
        assert interval.low < interval.estimate < interval.high
    scale = fit.scale_interval(0.9)
    assert (scale.low, scale.high) == pytest.approx(
        (fit.life(1 - math.exp(-1), 0.9).low, fit.life(1 - math.exp(-1), 0.9).high)
    )
    shape = fit.shape_interval(0.9)
    for end in (shape.low, shape.high):
        assert float(fit.likelihood.profile(end)) == pytest.approx(cut, abs=1e-7)


@pytest.mark.parametrize("shape", [0.8, 1.0, 2.5])
def test_the_intervals_cover_the_truth_of_lives_seen_in_part(shape: float) -> None:
    """250 histories of 40 lives, a third of them begun in mid-life, many pulled early."""
    tenth = stats.weibull_min(shape).ppf(0.10)
    covered = {"shape": 0, "scale": 0, "B10": 0}
    for seed in range(250):
        fit = fit_weibull(*lives_seen_in_part(seed, shape, 40))
        for name, interval, truth in (
            ("shape", fit.shape_interval(0.9), shape),
            ("scale", fit.scale_interval(0.9), 1.0),
            ("B10", fit.life(0.1, 0.9), tenth),
        ):
            covered[name] += interval.low <= truth <= interval.high
    for name, count in covered.items():
        # The likelihood-ratio interval is a little short in small samples: some 89 of 100.
        assert 0.84 <= count / 250 <= 0.95, f"{name}: {count} of 250"


def test_leaving_out_when_lives_came_under_watch_would_mislead() -> None:
    ages, failed, entries = lives_seen_in_part(1, 1.0, 4000)
    assert fit_weibull(ages, failed, entries).scale == pytest.approx(1.0, abs=0.05)
    assert fit_weibull(ages, failed).scale > 1.1


@pytest.mark.parametrize(("failures", "pulled"), [(1, 30), (2, 500), (3, 20_000)])
def test_few_failures_among_many_still_give_an_interval(failures: int, pulled: int) -> None:
    rng = np.random.default_rng(failures)
    ages = np.concatenate([rng.uniform(0.5, 1, failures), rng.uniform(0.6, 2, pulled)]) * 3e7
    failed = np.arange(ages.size) < failures
    fit = fit_weibull(ages, failed)
    shape, tenth = fit.shape_interval(), fit.life(0.1)
    assert 0 < shape.low < shape.estimate < shape.high < math.inf
    assert 0 < tenth.low < tenth.estimate < tenth.high
    assert fit.failures == failures


def test_all_begun_in_mid_life_may_leave_small_shapes_open() -> None:
    rng = np.random.default_rng(2)
    entries = rng.uniform(0.9, 1.0, 12)
    ages = entries + rng.exponential(0.2, 12)
    fit = fit_weibull(ages, np.ones(12), entries)
    assert fit.shape > 0
    assert fit.shape_interval().low == 0
    assert fit.life(0.1).low == fit.scale_interval().low == 0
    assert math.isfinite(fit.shape_interval().high)


def test_failures_that_only_become_rarer_after_late_entries_fit_no_weibull() -> None:
    entries = np.full(20, 1.0)
    ages = np.concatenate([1 + np.geomspace(1e-3, 1e-2, 12), np.full(8, 50.0)])
    with pytest.raises(ValueError, match=r"^entries must not all lie so late"):
        fit_weibull(ages, np.arange(20) < 12, entries)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([], []), "^ages must be a list of at least 1 value"),
        (([1.0, 0.0], [1, 0]), "^ages must be above 0"),
        (([1.0, math.nan], [1, 0]), "^ages must be finite"),
        ((["old"], [1]), "^ages must be numbers"),
        (([[1.0, 2.0]], [[1, 0]]), "^ages must be a list"),
        (([1.0, 2.0], [1]), "^failed must hold true"),
        (([1.0, 2.0], [1, 2]), "^failed must hold true"),
        (([1.0, 2.0], [[1], [0, 1]]), "^failed must be a list"),
        (([1.0, 2.0], [1, 0], [0.0]), "^entries must hold one age"),
        (([1.0, 2.0], [1, 0], [0.0, 2.0]), "^entries must lie below ages"),
        (([1.0, 2.0], [1, 0], [-1.0, 0.0]), "^entries must be 0 or more"),
        (([1.0, 2.0], [1, 0], [0.0, math.inf]), "^entries must be finite"),
    ],
)
def test_bad_lives_are_refused_by_name(arguments: tuple[list[float], ...], message: str) -> None:
    for method in (fit_weibull, kaplan_meier, exponential_life):
        with pytest.raises(ValueError, match=message):
            method(*arguments)
    with pytest.raises(ValueError, match=message):
        scale_given_shape(*arguments[:2], 2.0, *arguments[2:])
    with pytest.raises(ValueError, match=message):
        weibull_log_likelihood(1.0, 1.0, *arguments)


def test_the_exponential_life_counts_only_what_was_seen() -> None:
    life = exponential_life([10.0, 20.0], [True, False], [4.0, 0.0], confidence=0.9)
    assert life.mean == 26
    assert life.low < 26 < life.high


def test_an_assumed_shape_of_one_is_the_exponential_life() -> None:
    ages, failed, entries = lives_seen_in_part(3, 1.0, 30)
    assumed = scale_given_shape(ages, failed, 1.0, entries, confidence=0.975)
    known = exponential_life(ages, failed, entries, confidence=0.95)
    assert assumed.scale == pytest.approx(known.mean)
    assert assumed.low == pytest.approx(known.low)


def test_without_a_failure_the_life_still_has_a_lower_bound() -> None:
    assumed = scale_given_shape(np.full(10, 1000.0), np.zeros(10), 2.0)
    assert assumed.scale == math.inf
    assert assumed.low == pytest.approx(1000 * math.sqrt(10 / -math.log(0.05)))
    assert assumed.low == pytest.approx(1827, abs=0.5)
    assert assumed.life_low(0.1) == pytest.approx(assumed.low * math.sqrt(-math.log(0.9)))
    # The rule of three: the share that fails within 1000 is at most 1 - 0.05^(1/10).
    assert 1 - math.exp(-((1000 / assumed.low) ** 2)) == pytest.approx(1 - 0.05**0.1)
    with pytest.raises(ValueError, match=r"^shape must be above 0"):
        scale_given_shape([1.0], [0], 0.0)
    with pytest.raises(ValueError, match=r"^shape must leave a scale"):
        scale_given_shape(np.ones(100), np.zeros(100), 1e-4)


def test_points_of_uncensored_lives_lie_at_the_middle_of_their_steps() -> None:
    ages = np.array([3.0, 1.0, 2.0, 5.0])
    fit = fit_weibull(ages, np.ones(4))
    plot = weibull_plot(fit, ages, np.ones(4))
    np.testing.assert_allclose(plot.failed_share, [0.125, 0.375, 0.625, 0.875])
    np.testing.assert_allclose(plot.depths, depth_of(plot.failed_share))
    assert plot.ages.tolist() == [1, 2, 3, 5]


def test_the_line_is_the_fit_and_lies_in_its_band() -> None:
    lives = lives_seen_in_part(11, 2.2, 60)
    fit = fit_weibull(*lives)
    plot = weibull_plot(fit, *lives, confidence=0.9)
    np.testing.assert_allclose(
        1 - fit.survival(plot.line_ages), -np.expm1(-np.exp(plot.line_depths))
    )
    assert (plot.low_depths < plot.line_depths).all()
    assert (plot.line_depths < plot.high_depths).all()
    assert plot.line_ages[0] <= plot.ages[0]
    assert plot.line_ages[-1] >= plot.ages[-1]
    # At the age by which a share has failed the band is that share's own interval, turned over.
    tenth = fit.life(0.1, 0.9)
    low = np.interp(math.log(tenth.high), np.log(plot.line_ages), plot.low_depths)
    assert low == pytest.approx(float(depth_of(0.1)), abs=0.02)


def test_points_follow_the_truth_also_with_late_entries() -> None:
    lives = lives_seen_in_part(12, 2.0, 3000)
    fit = fit_weibull(*lives)
    plot = weibull_plot(fit, *lives)
    truth = 1 - stats.weibull_min(2.0).sf(plot.ages)
    assert np.abs(plot.failed_share - truth).max() < 0.05


def test_an_early_end_of_those_at_risk_does_not_spoil_the_plot() -> None:
    ages, failed, entries = lives_seen_in_part(13, 2.0, 400)
    ages = np.append(ages, 0.011)
    failed, entries = np.append(failed, True), np.append(entries, 0.010)
    late = np.where(entries == 0, 0.02, entries)
    late[-1] = 0.010
    kept = ages > late
    lives = ages[kept], failed[kept], late[kept]
    assert kaplan_meier(*lives).survival.max() == 0
    plot = weibull_plot(fit_weibull(*lives), *lives)
    truth = 1 - stats.weibull_min(2.0).sf(plot.ages)
    assert np.abs(plot.failed_share - truth).max() < 0.1


def test_a_share_of_none_or_all_has_no_place_on_weibull_paper() -> None:
    assert float(depth_of(0.5)) == pytest.approx(-0.3665, abs=1e-4)
    for share in (0.0, 1.0, math.nan):
        with pytest.raises(ValueError, match=r"^share must lie between"):
            depth_of(share)
