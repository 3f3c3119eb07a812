"""Change point, lifetimes, replacement and repairable systems against printed figures
(A29 to A35, A41 to A43)."""

import math

import numpy as np

from tests.published.figures import Check
from tracelog.stats.change_point import poisson_change_point
from tracelog.stats.kaplan_meier import kaplan_meier
from tracelog.stats.lifetimes import exponential_life, fit_weibull
from tracelog.stats.repairable import power_law_process
from tracelog.stats.replacement import age_replacement


def test_a29_change_in_the_rate_of_coal_mining_disasters() -> None:
    """Data Jarrett (1979); Carlin, Gelfand and Smith (1992): change after 1891, 3.098 a year before
    and 0.901 after (to 0.0005), twice the log ratio 69.99 (to 0.01), posterior 0.248 and 0.675 (to
    0.002)."""
    check = Check("A29")
    years, disasters = check.column("year"), check.column("disasters")
    result = poisson_change_point(disasters, prior=(0.5, 1.0))
    check.meets("total", int(disasters.sum()))
    check.meets("last year before the change (maximum likelihood)", int(years[result.last_before]))
    check.meets("rate before, per year", result.rate_before)
    check.meets("rate after", result.rate_after)
    check.meets("twice the log likelihood ratio against no change", result.twice_log_ratio)
    check.meets(
        "posterior mode with independent Gamma(0.5, rate 1) priors and a flat prior on the year",
        int(years[result.most_probable]),
    )
    first = int(np.flatnonzero(years == 1889)[0])
    check.meets("posterior probability of 1891 under them", result.posterior[first + 2])
    check.meets(
        "posterior probability of 1889 to 1892 under them",
        result.posterior[first : first + 4].sum(),
    )
    check.all_met()


def test_a30_weibull_with_censoring() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3: scale 606.528 (to 0.001), shape 1.7208 (to 5e-5), log
    likelihood -75.135, AIC 154.27, mean 540.737, deviation 323.806, B10 164.0; Kaplan-Meier 0.95,
    0.90, 0.50."""
    check = Check("A30")
    hours, failed = check.column("hours"), check.column("failed")
    fit = fit_weibull(hours, failed)
    check.meets("scale", fit.scale)
    check.meets("shape", fit.shape)
    check.meets("log likelihood", fit.log_likelihood)
    check.meets("AIC", fit.aic)
    check.meets("mean life", fit.mean)
    check.meets("standard deviation", fit.standard_deviation)
    check.meets("B10 life", fit.life(0.10).estimate)
    curve = kaplan_meier(hours, failed)
    # Rounded only so far that the printed fractions are not lost in binary.
    alive = [round(curve.at(age), 12) for age in (54, 187, 386)]
    check.meets("Kaplan-Meier at 54, 187, 386", alive)
    check.all_met()


def test_a31_weibull_with_few_failures() -> None:
    """Nelson (1982), diesel generator fans: shape 1.058 (to 0.0005), scale 26297 (to 1), log
    likelihood -135.153, exponential mean 28701 (to 3), B10 3137 (to 2)."""
    check = Check("A31")
    hours, failed = check.column("hours"), check.column("failed")
    fit = fit_weibull(hours, failed)
    check.meets("shape", fit.shape)
    check.meets("scale", fit.scale)
    check.meets("log likelihood", fit.log_likelihood)
    check.meets("exponential mean (total hours / failures)", exponential_life(hours, failed).mean)
    check.meets("B10", fit.life(0.10).estimate)
    check.all_met()


def test_a32_kaplan_meier_with_greenwood_errors() -> None:
    """Freireich et al. (1963), 6-MP group: S(6) 0.857 with error 0.0764 down to S(23) 0.448 with
    0.1346 (to 0.0006 and 6e-5)."""
    check = Check("A32")
    curve = kaplan_meier(check.column("weeks"), check.column("relapsed"))
    assert curve.ages.tolist() == [6, 7, 10, 13, 16, 22, 23]
    for week, alive, error in zip(curve.ages, curve.survival, curve.standard_error, strict=True):
        check.meets(f"S({week:.0f})", alive)
        check.meets(f"standard error at {week:.0f}", error)
    check.all_met()


def test_a33_replacement_by_age() -> None:
    """Barlow and Hunter (1960), Weibull 1000 / 2.5, costs 1 and 5: replace at 493.05 (to 0.02) for
    0.003462 (to 2e-7) against 0.0056353 (to 1e-7) run to failure."""
    check = Check("A33")
    best = age_replacement(shape=2.5, scale=1000, planned_cost=1, failure_cost=5)
    check.meets("best interval", best.interval)
    check.meets("cost per unit time", best.cost_rate)
    check.meets("cost per unit time, more digits", best.cost_rate)
    check.meets("run-to-failure cost per unit time", best.run_to_failure_cost_rate)
    check.all_met()


def test_a34_power_law_of_one_machine() -> None:
    """NIST/SEMATECH e-Handbook 8.1.7.2 and 8.4.5.1: shape 0.5372 and 0.4835 (to 1e-4), growth slope
    0.516, 310 h between failures (to 0.5), trend 37.228 (to 0.002), Laplace -1.327 (to 0.001)."""
    check = Check("A34")
    result = power_law_process([check.column("hours")], 1500)
    check.meets("failures", result.failures)
    check.meets("shape, maximum likelihood n / sum ln(T/t)", result.shape)
    check.meets("shape, modified (n-1)/sum", result.unbiased_shape)
    check.meets("growth slope 1 - modified shape", 1 - result.unbiased_shape)
    check.meets(
        "mean time between failures at 1500 h with the modified shape",
        result.mean_between_unbiased,
    )
    assert result.trend_degrees == 20
    check.meets("trend chi-square 2 sum ln(T/t), 20 degrees of freedom", result.trend)
    check.meets("Laplace statistic", result.laplace)
    check.all_met()


def test_a35_power_law_of_three_machines() -> None:
    """Crow (1975), AMSAA Technical Report 138: 36 failures, shape 0.615, intensity 0.461, unbiased
    shape 0.598 (to 0.0006), Cramer-von Mises 0.07 (to 0.001)."""
    check = Check("A35")
    system, hours = check.column("system"), check.column("hours")
    result = power_law_process([hours[system == number] for number in (1, 2, 3)], 200)
    check.meets("failures", result.failures)
    check.meets("shape", result.shape)
    check.meets("intensity parameter", result.intensity)
    check.meets("unbiased shape (n-1)/n", result.unbiased_shape)
    check.meets("Cramer-von Mises statistic with the unbiased shape", result.cramer_von_mises)
    check.all_met()


def test_a41_profile_likelihood_intervals_of_a_weibull() -> None:
    """Meeker and Escobar (1998), shock absorbers: ln scale 10.23 with 95 % interval 10.06 to 10.54,
    1/shape 0.3164 (to 5e-5) with 0.2096 to 0.5267, B10 13600 with 9371 to 17291."""
    check = Check("A41")
    fit = fit_weibull(check.column("km"), check.column("failed"))
    check.meets("failures", fit.failures)
    check.meets("ln scale", math.log(fit.scale))
    check.meets("1/shape", 1 / fit.shape)
    check.meets("log likelihood", fit.log_likelihood)
    scale, shape, tenth = fit.scale_interval(), fit.shape_interval(), fit.life(0.10)
    check.meets("ln scale, 95 %: lower", math.log(scale.low))
    check.meets("ln scale, 95 %: upper", math.log(scale.high))
    check.meets("1/shape, 95 %: lower", 1 / shape.high)
    check.meets("1/shape, 95 %: upper", 1 / shape.low)
    check.meets("B10", tenth.estimate)
    check.meets("B10, 95 %: lower", tenth.low)
    check.meets("B10, 95 %: upper", tenth.high)
    check.all_met()


def test_a42_lives_that_are_seen_from_mid_life_on() -> None:
    """Cole and Hudgens (2010), 78 patients who entered after diagnosis: Kaplan-Meier 0.890886 at
    one year down to 0.424588 at five (to 1e-6), Weibull 1.07924 and 5.4576."""
    check = Check("A42")
    lives = check.column("years"), check.column("died"), check.column("entry_years")
    curve = kaplan_meier(*lives)
    for year in range(1, 6):
        check.meets(f"S({year})", curve.at(year))
    fit = fit_weibull(*lives)
    check.meets("shape", fit.shape)
    check.meets("scale", fit.scale)
    check.meets("log likelihood", fit.log_likelihood)
    check.all_met()


def test_a43_weibull_with_lives_censored_at_random() -> None:
    """SciPy's tests of censored fits: shape 2.149, scale 28.99 (to their last digit)."""
    check = Check("A43")
    fit = fit_weibull(check.column("time"), check.column("failed"))
    check.meets("shape", fit.shape)
    check.meets("scale", fit.scale)
    check.all_met()
