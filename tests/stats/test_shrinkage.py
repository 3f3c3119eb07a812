"""The gamma-Poisson model."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from tracelog.stats.intervals import poisson_interval
from tracelog.stats.ranking import probability_highest
from tracelog.stats.shrinkage import (
    fit_gamma,
    gamma_poisson,
    log_marginal_likelihood,
    robbins_estimate,
)

MACHINES = st.lists(st.tuples(st.integers(0, 60), st.floats(0.1, 1000)), min_size=1, max_size=12)


def split(machines: list[tuple[int, float]]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([m[0] for m in machines]), np.array([m[1] for m in machines])


def test_the_marginal_likelihood_is_negative_binomial() -> None:
    counts, exposures = np.array([0, 3, 11]), np.array([2.0, 5.0, 1.0])
    expected = stats.nbinom.logpmf(counts, 1.7, 0.6 / (0.6 + exposures)).sum()
    assert log_marginal_likelihood(counts, exposures, 1.7, 0.6) == pytest.approx(expected)


def test_the_fit_agrees_with_a_general_optimiser() -> None:
    rng = np.random.default_rng(7)
    for _ in range(5):
        exposures = rng.uniform(0.2, 5, size=30)
        counts = rng.poisson(rng.gamma(2.0, 3.0, size=30) * exposures)
        fitted = fit_gamma(counts, exposures)
        assert fitted is not None
        best = optimize.minimize(
            lambda x, c=counts, e=exposures: -log_marginal_likelihood(c, e, *np.exp(x)),
            x0=[0.0, 0.0],
            method="Nelder-Mead",
            options={"xatol": 1e-8, "fatol": 1e-10},
        )
        np.testing.assert_allclose(np.log(fitted), best.x, atol=2e-4)


@settings(deadline=None, max_examples=40)
@given(MACHINES, st.floats(1e-6, 1e6))
def test_the_unit_of_exposure_does_not_matter(
    machines: list[tuple[int, float]], unit: float
) -> None:
    counts, exposures = split(machines)
    one, other = gamma_poisson(counts, exposures), gamma_poisson(counts, exposures * unit)
    assert one.pooled == other.pooled
    np.testing.assert_allclose(one.rates, other.rates * unit, rtol=1e-3)


@settings(deadline=None, max_examples=40)
@given(MACHINES)
def test_a_shrunk_rate_lies_between_its_own_rate_and_the_mean(
    machines: list[tuple[int, float]],
) -> None:
    counts, exposures = split(machines)
    model = gamma_poisson(counts, exposures)
    own = counts / exposures
    slack = 1e-9 * (1 + own + model.mean)
    assert (model.rates >= np.minimum(own, model.mean) - slack).all()
    assert (model.rates <= np.maximum(own, model.mean) + slack).all()
    assert (model.low <= model.rates + slack).all()
    assert (model.rates <= model.high + slack).all()
    assert model.probability_worst.sum() == pytest.approx(1)
    assert (model.probability_worst >= 0).all()


def test_machines_that_do_not_differ_are_pooled_and_none_is_the_worst() -> None:
    model = gamma_poisson([5, 5, 5, 5], [1, 1, 1, 1])
    assert model.pooled
    assert model.rates.tolist() == [5.0] * 4
    assert model.probability_worst.tolist() == [0.25] * 4
    pooled = poisson_interval(20)
    assert model.low[0] < pooled.low / 4
    assert pooled.high / 4 < model.high[0] < poisson_interval(5).high


@pytest.mark.parametrize("shape", [4.0, 10.0, 50.0])
def test_intervals_of_few_machines_hold_as_often_as_they_say(shape: float) -> None:
    """With shape and mean taken as known 95 % intervals of 8 machines hold in about 80 %."""
    rng = np.random.default_rng(21)
    held = []
    for _ in range(100):
        exposures = rng.uniform(10, 30, size=8)
        rates = rng.gamma(shape, 1 / shape, size=8)
        model = gamma_poisson(rng.poisson(rates * exposures), exposures)
        held.append((model.low <= rates) & (rates <= model.high))
    assert np.mean(held) > 0.89


def test_a_known_prior_gives_the_intervals_of_its_posterior() -> None:
    model = gamma_poisson([5, 0], [94.32, 3.0], prior=(1.802, 1.0), confidence=0.9)
    expected = stats.gamma(6.802, scale=1 / 95.32).ppf([0.05, 0.95])
    assert [model.low[0], model.high[0]] == pytest.approx(expected, rel=1e-6)


def test_large_counts_that_differ_much_keep_their_own_intervals() -> None:
    model = gamma_poisson([0, 0, 500], [1, 1, 1])
    assert model.low[0] < model.rates[0] < model.high[0] < 3.7
    assert model.low[2] == pytest.approx(poisson_interval(500).low, rel=0.02)


def test_no_event_anywhere_gives_zero_rates_with_an_honest_upper_end() -> None:
    model = gamma_poisson([0, 0, 0], [1e6, 2e6, 3e6])
    assert model.pooled
    assert model.rates.tolist() == [0, 0, 0]
    assert model.high[0] == pytest.approx(3.6889 / 6e6, rel=1e-4)


def test_one_machine_alone_keeps_its_own_rate() -> None:
    model = gamma_poisson([7], [2.0])
    assert model.rates.tolist() == [3.5]
    assert model.probability_worst.tolist() == [1.0]


def test_a_machine_without_exposure_gets_the_mean_and_is_not_compared() -> None:
    model = gamma_poisson([30, 3, 2, 4, 9], [10, 10, 10, 10, 0])
    assert not model.pooled
    assert model.rates[4] == pytest.approx(model.mean)
    assert model.probability_worst[4] == 0
    assert model.probability_worst.sum() == pytest.approx(1)


def test_a_clearly_bad_machine_is_the_worst_and_an_unlucky_small_one_is_not() -> None:
    model = gamma_poisson([90, 21, 19, 20, 22, 18, 1], [10, 10, 10, 10, 10, 10, 0.1])
    assert model.probability_worst[0] > 0.95
    assert model.rates[6] < model.rates[0]


def test_the_probability_of_the_highest_of_two_is_a_beta_integral() -> None:
    for shapes, rates in (([5, 2], [1, 1]), ([0.3, 40], [0.1, 10]), ([900, 1000], [9, 10.5])):
        share = rates[0] / (rates[0] + rates[1])
        expected = stats.beta.sf(share, shapes[0], shapes[1])
        assert probability_highest(shapes, rates)[0] == pytest.approx(expected, abs=1e-4)


def test_the_probability_of_the_highest_of_many_agrees_with_quadrature() -> None:
    shapes, rates = np.array([0.8, 3.0, 25.0, 60.0]), np.array([0.5, 1.0, 8.0, 20.0])
    chances = probability_highest(shapes, rates)
    for place in range(4):
        rest = [i for i in range(4) if i != place]

        def density(r: float, place: int = place, rest: list[int] = rest) -> float:
            others = stats.gamma.cdf(r, shapes[rest], scale=1 / rates[rest]).prod()
            return stats.gamma.pdf(r, shapes[place], scale=1 / rates[place]) * others

        exact, _ = integrate.quad(density, 0, 40, points=[1, 2, 3, 4, 6, 10], limit=400)
        assert chances[place] == pytest.approx(exact, abs=1e-4)


def test_identical_machines_are_equally_likely_the_worst() -> None:
    np.testing.assert_allclose(probability_highest([4.0] * 96, [2.0] * 96), 1 / 96, rtol=1e-6)


def test_the_fit_is_the_same_every_time() -> None:
    first, second = gamma_poisson([9, 2, 4], [3, 3, 3]), gamma_poisson([9, 2, 4], [3, 3, 3])
    assert (first.shape, first.probability_worst.tolist()) == (
        second.shape,
        second.probability_worst.tolist(),
    )


def test_robbins_does_not_divide_by_nobody() -> None:
    estimate = robbins_estimate([10, 0, 4])
    assert estimate[0] == 0
    assert np.isnan(estimate[1])


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: gamma_poisson([1], [0]), "exposures"),
        (lambda: gamma_poisson([1], [-1]), "exposures"),
        (lambda: gamma_poisson([], []), "counts"),
        (lambda: gamma_poisson([1, 2], [1, 2, 3]), "counts and exposures"),
        (lambda: gamma_poisson([1], [1], prior=(0, 1)), "prior"),
        (lambda: gamma_poisson([1], [1], confidence=2), "confidence"),
        (lambda: probability_highest([1, 0], [1, 1]), "shapes"),
        (lambda: robbins_estimate([5]), "frequencies"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
