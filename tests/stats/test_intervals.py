"""Exact intervals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from tracelog.stats.intervals import (
    binomial_bounds,
    binomial_interval,
    exposure_needed,
    poisson_bounds,
    poisson_interval,
    rate_interval,
    rule_of_three,
)


def test_one_number_gives_floats_and_arrays_give_arrays() -> None:
    assert isinstance(poisson_interval(3).low, float)
    assert isinstance(binomial_interval(3, 10).estimate, float)
    assert poisson_interval([3, 0]).high.shape == (2,)
    assert rate_interval([3, 0], 5e6).low.shape == (2,)


@given(st.integers(0, 100_000), st.floats(0.5, 0.999))
def test_the_poisson_limits_leave_half_the_rest_in_each_tail(count: int, sure: float) -> None:
    interval = poisson_interval(count, sure)
    tail = (1 - sure) / 2
    assert stats.poisson.cdf(count, interval.high) == pytest.approx(tail, rel=1e-6)
    if count:
        assert stats.poisson.sf(count - 1, interval.low) == pytest.approx(tail, rel=1e-6)
    else:
        assert interval.low == 0
    assert interval.low <= count <= interval.high


@given(st.integers(1, 5000), st.data(), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_the_binomial_interval_agrees_with_statsmodels(
    inspected: int, data: st.DataObject, sure: float
) -> None:
    defective = data.draw(st.integers(0, inspected))
    interval = binomial_interval(defective, inspected, sure)
    low, high = proportion_confint(defective, inspected, alpha=1 - sure, method="beta")
    assert interval.low == pytest.approx(0.0 if defective == 0 else low, abs=1e-12)
    assert interval.high == pytest.approx(1.0 if defective == inspected else high, abs=1e-12)


def test_a_rate_is_its_count_over_its_exposure_and_unknown_without_exposure() -> None:
    rates = rate_interval([12, 0, 0, 2], [4e6, 4e6, 0, 0])
    assert rates.estimate[:2].tolist() == [3.0, 0.0]
    assert rates.low[0] == pytest.approx(1.55014, abs=1e-5)
    assert rates.high[0] == pytest.approx(5.24040, abs=1e-5)
    assert np.isnan(rates.estimate[2:]).all()
    assert rates.low[2:].tolist() == [0, 0]
    assert np.isinf(rates.high[2:]).all()


def test_nothing_inspected_says_nothing() -> None:
    interval = binomial_interval([0], [0])
    assert np.isnan(interval.estimate[0])
    assert (interval.low[0], interval.high[0]) == (0, 1)


@given(st.integers(0, 10_000), st.sampled_from([0.9, 0.95, 0.99]))
def test_one_sided_bounds_are_the_two_sided_limits_of_twice_the_rest(
    count: int, sure: float
) -> None:
    bounds, interval = poisson_bounds(count, sure), poisson_interval(count, 2 * sure - 1)
    assert bounds.low == pytest.approx(interval.low)
    assert bounds.high == pytest.approx(interval.high)


def test_the_exposure_needed_is_just_enough() -> None:
    assert exposure_needed(1e-6) == pytest.approx(2_995_732.27, abs=0.01)
    strokes = exposure_needed(2e-6, count=3, confidence=0.9)
    assert rate_interval(3, strokes, per=1, confidence=0.8).high == pytest.approx(2e-6)


def test_the_rule_of_three_is_never_below_the_exact_bound() -> None:
    for inspected in range(3, 200):
        assert rule_of_three(inspected) >= binomial_bounds(0, inspected).high


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: poisson_interval(-1), "count"),
        (lambda: poisson_interval(1.5), "count"),
        (lambda: poisson_interval([1, np.nan]), "count"),
        (lambda: poisson_interval("many"), "count"),
        (lambda: poisson_interval(1, 1.0), "confidence"),
        (lambda: poisson_interval(1, np.nan), "confidence"),
        (lambda: rate_interval(1, -5), "exposure"),
        (lambda: rate_interval([1, 2], [1, 2, 3]), "count and exposure"),
        (lambda: rate_interval(1, 1, per=0), "per"),
        (lambda: binomial_interval(5, 4), "defective"),
        (lambda: binomial_interval(1, 4.5), "inspected"),
        (lambda: rule_of_three(0), "inspected"),
        (lambda: exposure_needed(0), "rate_limit"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
