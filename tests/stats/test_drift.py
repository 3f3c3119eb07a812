"""Levels that drift, held against dense matrices, closed forms and what was simulated."""

import numpy as np
import pytest

from tracelog.stats.drift import (
    Drift,
    Levels,
    filter_levels,
    fit_drift,
    semivariance,
    spread_of_levels,
    sum_variances,
)
from tracelog.stats.inputs import FloatArray

SLOW = Drift(keeps=0.96, variance=0.03**2, noise=0.05**2, seen=20.0)


def covariance(drift: Drift, days: int) -> FloatArray:
    """Of the drift on consecutive days (autoregressive of order one, in the long run)."""
    day = np.arange(days)
    return drift.variance * drift.keeps ** np.abs(day[:, None] - day)


def simulated(drift: Drift, spread: float, series: int, days: int, seed: int) -> FloatArray:
    random = np.random.default_rng(seed)
    x = random.normal(0, np.sqrt(drift.variance), series)
    found = np.zeros((series, days))
    for day in range(days):
        found[:, day] = x + random.normal(0, np.sqrt(drift.noise), series)
        x = drift.keeps * x + random.normal(0, np.sqrt(drift.shock), series)
    return found + random.normal(1.0, spread, series)[:, None]


def test_the_semivariance_is_half_the_mean_squared_difference() -> None:
    values = np.array([[1.0, 2.0, 3.0, np.nan]])
    found, pairs = semivariance(values, ~np.isnan(values), np.array([1, 2, 3]))
    assert found.tolist() == [0.5, 2.0, 0.0]
    assert pairs.tolist() == [2, 1, 0]


def test_the_variance_of_a_mean_is_that_of_the_whole_covariance_matrix() -> None:
    for days in (1, 2, 30):
        dense = (covariance(SLOW, days).sum() / days + SLOW.noise) / days
        assert SLOW.mean_variance(days) == pytest.approx(dense, rel=1e-12)
    assert Drift(0.5, 0.0, 1.0, 2.0).mean_variance(4) == 0.25
    with pytest.raises(ValueError, match="days must be at least 1"):
        SLOW.mean_variance(0)


def test_what_was_simulated_is_found_again() -> None:
    """From 60 series of 200 days; the tolerances are some four standard errors."""
    values = simulated(SLOW, 0.05, 60, 200, seed=1)
    known = np.random.default_rng(2).random(values.shape) < 0.9
    found = fit_drift(values, known, Drift(0.9, 0.1**2, 0.1**2, 2.0))
    assert found.variance == pytest.approx(SLOW.variance, rel=0.3)
    assert found.noise == pytest.approx(SLOW.noise, rel=0.1)
    assert 0.92 <= found.keeps <= 0.985
    mean, between = spread_of_levels(values, known, found)
    assert mean == pytest.approx(1.0, abs=0.03)
    assert between == pytest.approx(0.05**2, rel=0.6)


def test_without_days_the_usual_stands_and_what_never_moved_does_not_vary() -> None:
    few = np.ones((2, 3))
    assert fit_drift(few, np.zeros_like(few, dtype=bool), SLOW) == SLOW
    still = np.ones((2, 30))
    found = fit_drift(still, still > 0, SLOW)
    assert (found.variance, found.noise) == (0.0, 0.0)


def test_the_spread_of_levels_leaves_out_the_error_of_each_mean() -> None:
    values = np.repeat([[1.0], [3.0]], 10, axis=1)
    mean, variance = spread_of_levels(values, values > 0, Drift(0.5, 0.0, 0.1, 2.0))
    assert (mean, variance) == (2.0, pytest.approx(2.99))
    assert spread_of_levels(values, values > 9, SLOW) == (0.0, 0.0)


def test_the_filter_is_the_conditional_normal_distribution() -> None:
    """Against one dense solution of the same model over all days at once."""
    random = np.random.default_rng(3)
    days, prior = 25, (1.0, 0.2**2)
    values = random.normal(1.1, 0.1, (1, 1, days))
    known = random.random((1, 1, days)) < 0.7
    weights = random.uniform(0.2, 1.0, (1, 1, days))
    [found] = filter_levels(values, known, weights, (SLOW,), (prior,))
    seen = np.flatnonzero(known[0, 0])
    drifting = covariance(SLOW, days)
    whole = prior[1] + drifting[np.ix_(seen, seen)]
    whole += np.diag(SLOW.noise / weights[0, 0, seen])
    with_level = np.full(len(seen), prior[1])
    with_drift = drifting[-1, seen]
    missed = values[0, 0, seen] - prior[0]
    both = np.stack([with_level, with_drift])
    middle = both @ np.linalg.solve(whole, missed)
    left = np.diag([prior[1], SLOW.variance]) - both @ np.linalg.solve(whole, both.T)
    assert found.level[0] - prior[0] == pytest.approx(middle[0], rel=1e-6)
    assert found.drift[0] == pytest.approx(middle[1], rel=1e-6)
    assert found.level_variance[0] == pytest.approx(left[0, 0], rel=1e-6)
    assert found.together[0] == pytest.approx(left[0, 1], rel=1e-6)
    assert found.drift_variance[0] == pytest.approx(left[1, 1], rel=1e-6)


def test_two_equal_witnesses_meet_halfway() -> None:
    one = np.full((1, 1, 1), 3.0)
    [found] = filter_levels(one, one > 0, one / 3, (Drift(0.0, 0.0, 1.0, 2.0),), ((1.0, 1.0),))
    assert found.level[0] == pytest.approx(2.0)


@pytest.mark.parametrize("keeps", [0.01, 0.8, 0.985])
@pytest.mark.parametrize("inflated", [1.0, 1.5])
def test_variances_of_sums_are_those_of_the_dense_matrix(keeps: float, inflated: float) -> None:
    drift = Drift(keeps, 0.03**2, 0.05**2, 10.0)
    days = 700
    now = np.array([0.02**2])
    crossed = np.array([-0.0001])
    levels = Levels(np.ones(1), np.zeros(1), np.array([0.01]), crossed, now)
    weights = np.random.default_rng(4).uniform(0, 5, (1, days))
    found = sum_variances(weights, levels, drift, inflated)[0]
    step = np.arange(1, days + 1)
    faded = keeps ** step.astype(float)
    earlier = np.minimum(step[:, None], step)
    apart = np.abs(step[:, None] - step)
    own = now[0] * faded[earlier - 1] ** 2 + drift.variance * (1 - faded[earlier - 1] ** 2)
    dense = inflated * own * keeps ** apart.astype(float)
    dense += levels.level_variance[0] + crossed[0] * (faded[:, None] + faded)
    for last in (1, 2, 50, days):
        part = weights[0, :last]
        assert found[last - 1] == pytest.approx(part @ dense[:last, :last] @ part, rel=1e-6)


def test_a_level_alone_adds_up_squared() -> None:
    levels = Levels(np.ones(1), np.zeros(1), np.array([0.01]), np.zeros(1), np.zeros(1))
    found = sum_variances(np.ones((1, 3)), levels, Drift(0.5, 0.0, 0.0, 2.0))
    assert found.tolist() == [pytest.approx([0.01, 0.04, 0.09])]
