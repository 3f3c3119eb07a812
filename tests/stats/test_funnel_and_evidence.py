"""Funnel limits, ratio of a later to an earlier rate, evidence for explanations."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from tracelog.stats.compare import compare_rates, exposure_to_confirm, rate_ratio_posterior
from tracelog.stats.evidence import log_evidence_ratio, posterior_probabilities, prior_by_kind
from tracelog.stats.funnel import funnel_limits
from tracelog.stats.shrinkage import log_marginal_likelihood


@settings(deadline=None, max_examples=60)
@given(
    st.floats(0.05, 300),
    st.floats(0.3, 50) | st.just(math.inf),
    st.sampled_from([0.001, 0.025, 0.1]),
)
def test_a_count_is_beyond_the_funnel_exactly_when_its_tail_is_that_unlikely(
    expected: float, shape: float, tail: float
) -> None:
    if math.isinf(shape):
        known = stats.poisson(expected)
    else:
        known = stats.nbinom(shape, shape / (shape + expected))
    limits = funnel_limits(2.0, expected / 2, shape, tail)
    counts = np.arange(int(known.isf(1e-6)) + 5)
    lower_tail, upper_tail = known.cdf(counts), known.sf(counts - 1)
    clear = (np.abs(lower_tail - tail) > 1e-9) & (np.abs(upper_tail - tail) > 1e-9)
    below, above = counts / 2 < limits.low, counts / 2 > limits.high
    np.testing.assert_array_equal(below[clear], (lower_tail < tail)[clear])
    np.testing.assert_array_equal(above[clear], (upper_tail < tail)[clear])


def test_a_funnel_narrows_with_exposure_and_widens_with_real_spread() -> None:
    exposures = np.geomspace(0.5, 500, 30)
    alike, spread = funnel_limits(exposures, 3.0), funnel_limits(exposures, 3.0, shape=4.0)
    assert (np.diff(alike.high) < 0).all()
    assert (spread.high > alike.high).all()
    assert alike.high[-1] == pytest.approx(3, rel=0.15)
    assert spread.high[-1] > 2 * alike.high[-1]


def test_the_ratio_posterior_agrees_with_quadrature() -> None:
    before, after = stats.gamma(20.5, scale=1 / 10), stats.gamma(2.5, scale=1 / 8)
    chance, _ = integrate.quad(lambda r: before.pdf(r) * after.cdf(0.4 * r), 0, 10)
    result = rate_ratio_posterior(20, 10, 2, 8, below=0.4)
    assert result.probability_below == pytest.approx(chance, abs=1e-8)
    for ratio, share in ((result.low, 0.025), (result.median, 0.5), (result.high, 0.975)):
        reached, _ = integrate.quad(lambda r, q=ratio: before.pdf(r) * after.cdf(q * r), 0, 10)
        assert reached == pytest.approx(share, abs=1e-8)


@given(st.integers(0, 200), st.floats(0.1, 1e9), st.integers(0, 20), st.floats(0.2, 2))
def test_the_exposure_that_confirms_is_just_enough(
    count: int, exposure: float, after: int, below: float
) -> None:
    needed = exposure_to_confirm(count, exposure, after, below, 0.95)
    at_it = rate_ratio_posterior(count, exposure, after, needed, below)
    assert at_it.probability_below == pytest.approx(0.95, abs=1e-6)
    beyond = rate_ratio_posterior(count, exposure, after, 1.1 * needed, below)
    assert beyond.probability_below > 0.95


def test_the_posterior_and_the_exact_test_tell_the_same_story() -> None:
    held = rate_ratio_posterior(40, 10, 3, 10)
    assert held.probability_below > 0.999
    assert compare_rates(3, 10, 40, 10).p_less < 0.001
    unclear = rate_ratio_posterior(4, 10, 2, 10)
    assert 0.5 < unclear.probability_below < 0.95


@given(st.integers(0, 60), st.floats(0.01, 50), st.floats(0.2, 5), st.floats(0.2, 5))
def test_the_evidence_is_the_marginal_likelihood_over_that_of_the_baseline(
    count: int, expected: float, shape: float, rate: float
) -> None:
    reference = log_marginal_likelihood([count], [expected], shape, rate) - float(
        stats.poisson.logpmf(count, expected)
    )
    own = float(log_evidence_ratio(count, expected, shape, rate))
    assert own == pytest.approx(reference, rel=1e-6, abs=1e-6)


def test_no_exposure_is_no_evidence_and_an_excess_is() -> None:
    nothing, excess, usual = log_evidence_ratio([0, 12, 3], [0.0, 3.0, 3.0])
    assert nothing == 0
    assert excess > 3
    assert usual < 0


@given(st.lists(st.floats(-2000, 2000), min_size=1, max_size=20), st.floats(-1e4, 1e4))
def test_probabilities_add_up_and_do_not_depend_on_the_reference(
    evidence: list[float], shift: float
) -> None:
    prior = np.ones(len(evidence))
    one = posterior_probabilities(evidence, prior)
    other = posterior_probabilities([x + shift for x in evidence], prior)
    assert one.sum() == pytest.approx(1)
    np.testing.assert_allclose(one, other, atol=1e-9)


def test_a_prior_of_zero_rules_an_explanation_out_however_strong_its_evidence() -> None:
    assert posterior_probabilities([900.0, 0.0, 0.0], [0, 1, 3]).tolist() == [0, 0.25, 0.75]


def test_every_kind_of_explanation_has_the_same_weight_beforehand() -> None:
    kinds = ["machine"] * 8 + ["coil"] * 40 + ["plant"]
    prior = prior_by_kind(kinds)
    assert prior.sum() == pytest.approx(1)
    assert prior[:8].sum() == pytest.approx(1 / 3)
    assert prior[-1] == pytest.approx(1 / 3)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: funnel_limits([0.0], 1), "exposures"),
        (lambda: funnel_limits([1.0], -1), "mean"),
        (lambda: funnel_limits([1.0], 1, shape=0), "shape"),
        (lambda: funnel_limits([1.0], 1, tail=0.7), "tail"),
        (lambda: rate_ratio_posterior(1, 0, 1, 1), "before_exposure"),
        (lambda: rate_ratio_posterior(1, 1, -1, 1), "after_count"),
        (lambda: exposure_to_confirm(1, 1, below=0), "below"),
        (lambda: log_evidence_ratio(1, -1), "expected"),
        (lambda: log_evidence_ratio(1, 1, shape=0), "shape"),
        (lambda: posterior_probabilities([0.0, 1.0], [1.0]), "prior"),
        (lambda: posterior_probabilities([0.0], [0.0]), "prior"),
        (lambda: prior_by_kind([]), "kinds"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
