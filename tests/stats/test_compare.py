"""Two rates, two fractions."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportions_ztest

from tracelog.stats.compare import compare_rates, e_test, fractions_differ

COUNT = st.integers(0, 80)
EXPOSURE = st.floats(0.5, 500)


@given(COUNT, EXPOSURE, COUNT, EXPOSURE)
def test_the_exact_test_agrees_with_the_binomial_test(
    x1: int, n1: float, x2: int, n2: float
) -> None:
    result = compare_rates(x1, n1, x2, n2)
    if x1 + x2 == 0:
        assert result.p_value == 1
        return
    reference = stats.binomtest(x1, x1 + x2, n1 / (n1 + n2))
    assert result.p_value == pytest.approx(reference.pvalue, rel=1e-6)
    ends = reference.proportion_ci(0.95)
    low, high = ends.low / (1 - ends.low), ends.high
    assert result.low == pytest.approx(low * n2 / n1, rel=1e-6)
    if x2:
        assert result.high == pytest.approx(high / (1 - high) * n2 / n1, rel=1e-6)
    else:
        assert math.isinf(result.high)


@given(COUNT, EXPOSURE, COUNT, EXPOSURE)
def test_swapping_the_two_turns_the_ratio_over(x1: int, n1: float, x2: int, n2: float) -> None:
    one, other = compare_rates(x1, n1, x2, n2), compare_rates(x2, n2, x1, n1)
    assert one.p_value == pytest.approx(other.p_value, rel=1e-6)
    assert one.p_greater == pytest.approx(other.p_less, rel=1e-6, abs=1e-12)
    if x1 and x2:
        assert one.ratio == pytest.approx(1 / other.ratio)
        assert one.low == pytest.approx(1 / other.high)


@pytest.mark.parametrize("seed", range(25))
def test_the_e_test_agrees_with_scipy(seed: int) -> None:
    """Both counts above 0 and odd exposures, as SciPy lets rounding decide ties of T."""
    rng = np.random.default_rng(seed)
    (x1, x2), (n1, n2) = rng.integers(1, 80, size=2), rng.uniform(0.5, 20, size=2)
    result, reference = e_test(x1, n1, x2, n2), stats.poisson_means_test(x1, n1, x2, n2)
    assert result.statistic == pytest.approx(reference.statistic)
    assert result.p_value == pytest.approx(reference.pvalue, rel=1e-6, abs=1e-9)


@settings(deadline=None, max_examples=50)
@given(COUNT, EXPOSURE, COUNT, EXPOSURE)
def test_the_e_test_treats_both_sides_alike(x1: int, n1: float, x2: int, n2: float) -> None:
    one, other = e_test(x1, n1, x2, n2), e_test(x2, n2, x1, n1)
    assert one.statistic == -other.statistic
    assert one.p_value == pytest.approx(other.p_value, abs=1e-12)
    assert 0 <= one.p_value <= 1


def test_equal_outcomes_count_as_extreme_as_the_one_seen() -> None:
    """T of (2, 0) and of (0, 2) is the square root of 2 whatever the exposures."""
    one, other = stats.poisson(2 / 3.5 * 2.5), stats.poisson(2 / 3.5)
    extreme = sum(
        one.pmf(i) * other.pmf(j)
        for i in range(60)
        for j in range(60)
        if i + j and abs(i / 2.5 - j) >= math.sqrt(2 * (i / 6.25 + j)) - 1e-9
    )
    assert e_test(2, 2.5, 0, 1.0).p_value == pytest.approx(extreme)


def test_a_ratio_at_the_end_of_the_interval_is_just_rejected_one_sidedly() -> None:
    result = compare_rates(11, 800, 21, 3011)
    assert compare_rates(11, 800, 21, 3011, ratio=result.low).p_greater == pytest.approx(0.025)
    assert compare_rates(11, 800, 21, 3011, ratio=result.high).p_less == pytest.approx(0.025)


@given(st.integers(1, 300), st.integers(1, 300), st.data())
def test_two_fractions_agree_with_statsmodels(n1: int, n2: int, data: st.DataObject) -> None:
    x1, x2 = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2))
    result = fractions_differ(x1, n1, x2, n2)
    if x1 + x2 in (0, n1 + n2):
        assert result.p_value == 1
        return
    z, p_value = proportions_ztest([x1, x2], [n1, n2])
    assert result.statistic == pytest.approx(z, abs=1e-9)
    assert result.p_value == pytest.approx(p_value, abs=1e-9)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: compare_rates(-1, 1, 1, 1), "first_count"),
        (lambda: compare_rates(1, 1, 1.5, 1), "second_count"),
        (lambda: compare_rates(1, 0, 1, 1), "first_exposure"),
        (lambda: compare_rates(1, 1, 1, 0), "second_exposure"),
        (lambda: compare_rates(1, 1, 1, 1, ratio=0), "ratio"),
        (lambda: e_test(1, 1, 1, -2), "second_exposure"),
        (lambda: fractions_differ(5, 4, 1, 4), "first_defective"),
        (lambda: fractions_differ(1, 4, 1, 0), "second_inspected"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
