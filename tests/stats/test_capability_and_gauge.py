"""Capability, gauge study, many p-values."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracelog.stats.capability import capability, cp_interval, cpk_interval
from tracelog.stats.gauge import gauge_study
from tracelog.stats.multiplicity import benjamini_hochberg, bonferroni


@given(st.floats(-10, 10), st.floats(0.1, 5))
def test_cpk_is_the_worse_side_and_equals_cp_when_centred(mean: float, sigma: float) -> None:
    result = capability(mean, sigma, lower=-8, upper=8)
    assert result.cpk == min(result.cp_lower, result.cp_upper)
    assert result.cpk <= result.cp + 1e-12
    assert (result.cp_lower + result.cp_upper) / 2 == pytest.approx(result.cp)
    centred = capability(0, sigma, lower=-8, upper=8)
    assert centred.cpk == pytest.approx(centred.cp)


def test_one_limit_is_enough_for_cpk() -> None:
    result = capability(10, 2, lower=4)
    assert result.cpk == result.cp_lower == 1
    assert math.isnan(result.cp)
    assert math.isnan(result.cp_upper)


@given(st.floats(0.1, 5), st.integers(2, 500), st.sampled_from([0.8, 0.95, 0.99]))
def test_the_interval_of_cp_is_that_of_the_variance(cp: float, size: int, sure: float) -> None:
    interval = cp_interval(cp, size, sure)
    low, high = stats.chi2.ppf([(1 - sure) / 2, (1 + sure) / 2], size - 1) / (size - 1)
    assert interval.low == pytest.approx(cp * math.sqrt(low))
    assert interval.high == pytest.approx(cp * math.sqrt(high))
    around = cpk_interval(cp, size, sure)
    assert around.low < cp < around.high


def test_the_gauge_study_agrees_with_a_linear_model() -> None:
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(2)
    values = rng.normal(size=(5, 3, 2)) + 4 * rng.normal(size=(5, 1, 1))
    index = np.indices(values.shape).reshape(3, -1)
    frame = pd.DataFrame({"y": values.ravel(), "p": index[0], "o": index[1]})
    table = anova_lm(ols("y ~ C(p) * C(o)", frame).fit())
    study = gauge_study(values)
    assert study.ss_parts == pytest.approx(table.loc["C(p)", "sum_sq"])
    assert study.ss_operators == pytest.approx(table.loc["C(o)", "sum_sq"])
    assert study.ss_interaction == pytest.approx(table.loc["C(p):C(o)", "sum_sq"])
    assert study.ss_error == pytest.approx(table.loc["Residual", "sum_sq"])
    assert study.f_interaction == pytest.approx(table.loc["C(p):C(o)", "F"])
    assert study.p_interaction == pytest.approx(table.loc["C(p):C(o)", "PR(>F)"])


def test_sums_of_squares_add_up_and_no_variance_is_negative() -> None:
    values = np.random.default_rng(4).normal(size=(6, 2, 3))
    study = gauge_study(values)
    parts = study.ss_parts + study.ss_operators + study.ss_interaction + study.ss_error
    assert parts == pytest.approx(study.ss_total)
    assert min(study.variance_parts, study.variance_operators, study.variance_interaction) >= 0
    assert 0 <= study.gauge_share <= 1


def test_an_interaction_that_is_noise_is_pooled_when_asked() -> None:
    values = np.random.default_rng(4).normal(size=(6, 2, 3)) + 5 * np.arange(6)[:, None, None]
    plain, pooled = gauge_study(values), gauge_study(values, pool_interaction_above=0.0)
    assert pooled.variance_interaction == 0
    expected = (plain.ss_interaction + plain.ss_error) / (5 + 24)
    assert pooled.variance_repeatability == pytest.approx(expected)


def test_a_perfect_gauge_takes_no_share() -> None:
    values = np.repeat(np.arange(4.0), 6).reshape(4, 2, 3)
    study = gauge_study(values)
    assert study.gauge_sigma == 0
    assert study.gauge_share == 0
    assert study.p_interaction == 1


@given(st.lists(st.floats(0, 1), min_size=1, max_size=50))
def test_adjusted_p_values_agree_with_scipy(p_values: list[float]) -> None:
    adjusted = benjamini_hochberg(p_values)
    np.testing.assert_allclose(adjusted, stats.false_discovery_control(p_values), rtol=1e-12)
    assert (adjusted <= bonferroni(p_values) + 1e-15).all()
    assert (adjusted >= np.array(p_values)).all()


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: capability(1, 0, upper=2), "sigma"),
        (lambda: capability(1, 1), "lower or upper"),
        (lambda: capability(1, 1, lower=3, upper=2), "upper"),
        (lambda: cp_interval(0, 10), "cp"),
        (lambda: cpk_interval(1, 1), "size"),
        (lambda: gauge_study([[1.0, 2.0]]), "values"),
        (lambda: gauge_study(np.zeros((3, 2, 1))), "values"),
        (lambda: benjamini_hochberg([0.5, 1.5]), "p_values"),
        (lambda: bonferroni([]), "p_values"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
