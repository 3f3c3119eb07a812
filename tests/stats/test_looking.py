"""Evidence of a fall that holds however often one looks: by simulation, and by its own rules."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracelog.stats.compare import compare_rates, rate_ratio_posterior
from tracelog.stats.looking import exposure_to_show_fall, log_evidence, most_that_show_fall

SHOWN = math.log(20)
# Eighty looks, from a twentieth of what was run before to eight times that.
LOOKS = np.geomspace(0.05, 8, 80)
STEPS = np.diff(np.r_[0, LOOKS])
RUNS = 600
COUNT, EXPOSURE = st.integers(0, 60), st.floats(0.01, 500)


def histories(mean: float, ratio: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Happenings before, and up to each look after; `mean` is expected before."""
    rng = np.random.default_rng(seed)
    before = rng.poisson(mean, RUNS)
    return before[:, None], np.cumsum(rng.poisson(mean * ratio * STEPS, (RUNS, 80)), axis=1)


@pytest.mark.parametrize(("mean", "seed"), [(4, 301), (12, 302), (40, 303)])
def test_where_nothing_was_fixed_a_fall_is_seldom_said_at_any_of_eighty_looks(
    mean: float, seed: int
) -> None:
    before, after = histories(mean, 1.0, seed)
    said = (log_evidence(before, 1.0, after, LOOKS) >= SHOWN).any(axis=1)
    # At most 5 % are promised; three standard errors of 600 runs come on top of that.
    assert said.mean() <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / RUNS)
    rose = log_evidence(before, 1.0, after, LOOKS, which="rose") >= SHOWN
    assert rose.any(axis=1).mean() <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / RUNS)


def test_what_is_right_for_one_look_is_wrong_for_eighty() -> None:
    """Why the rule is not the exact test: looked at again and again, it says so of one in eight."""
    before, after = histories(12, 1.0, 302)
    p_less = [
        [compare_rates(int(x2), at, int(x1), 1.0).p_less for x2, at in zip(row, LOOKS, strict=True)]
        for (x1,), row in zip(before[:200], after[:200], strict=True)
    ]
    assert (np.array(p_less) <= 0.05).any(axis=1).mean() > 0.08


@pytest.mark.parametrize(
    ("mean", "ratio", "seed", "within"), [(20, 0.1, 311, 0.6), (12, 0.1, 312, 1.5)]
)
def test_where_it_was_fixed_it_is_said_soon(
    mean: float, ratio: float, seed: int, within: float
) -> None:
    """`within`: median exposure after, as a multiple of that before."""
    before, after = histories(mean, ratio, seed)
    said = log_evidence(before, 1.0, after, LOOKS) >= SHOWN
    when = np.where(said.any(axis=1), LOOKS[said.argmax(axis=1)], np.inf)
    assert np.median(when) <= within


@given(COUNT, EXPOSURE, COUNT, EXPOSURE)
def test_a_rise_is_a_fall_with_the_sides_exchanged(x1: int, n1: float, x2: int, n2: float) -> None:
    one = float(log_evidence(x1, n1, x2, n2, which="rose"))
    assert one == pytest.approx(float(log_evidence(x2, n2, x1, n1)), abs=1e-6)


@given(COUNT, EXPOSURE, COUNT, EXPOSURE)
def test_more_happenings_speak_against_a_fall_and_more_exposure_for_it(
    x1: int, n1: float, x2: int, n2: float
) -> None:
    found = float(log_evidence(x1, n1, x2, n2))
    assert float(log_evidence(x1, n1, x2 + 1, n2)) <= found + 1e-6
    assert float(log_evidence(x1, n1, x2, n2 * 1.5)) >= found - 1e-6


@given(COUNT, EXPOSURE, COUNT, EXPOSURE)
def test_what_is_shown_is_shown_by_a_single_look_too(
    x1: int, n1: float, x2: int, n2: float
) -> None:
    if float(log_evidence(x1, n1, x2, n2)) >= SHOWN:
        assert compare_rates(x2, n2, x1, n1).p_less <= 0.05
        assert rate_ratio_posterior(x1, n1, x2, n2).probability_below >= 0.95


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 40), st.floats(0.5, 20), st.integers(0, 10), st.sampled_from([1.0, 0.5]))
def test_the_exposure_needed_is_just_enough(x1: int, n1: float, x2: int, ratio: float) -> None:
    needed = exposure_to_show_fall(x1, n1, x2, ratio)
    if math.isinf(needed):
        assert float(log_evidence(x1, n1, x2, n1 * 1e6, ratio)) < SHOWN
        return
    assert float(log_evidence(x1, n1, x2, needed * 1.0001, ratio)) >= SHOWN
    assert float(log_evidence(x1, n1, x2, needed * 0.99, ratio)) < SHOWN


def test_the_most_that_show_it_are_told_for_each_exposure() -> None:
    found = most_that_show_fall(20, 10, [1, 2, 3, 4, 10])
    assert found == [None, None, 0, 0, 4]
    for most, at in zip(found, [1, 2, 3, 4, 10], strict=True):
        if most is not None:
            assert float(log_evidence(20, 10, most, at)) >= SHOWN
        assert float(log_evidence(20, 10, 0 if most is None else most + 1, at)) < SHOWN


def test_the_examples_hold() -> None:
    assert float(log_evidence(5, 5, 0, 6)) == pytest.approx(2.79, abs=0.01)
    assert exposure_to_show_fall(5, 5) == pytest.approx(6.56, abs=0.01)


@pytest.mark.parametrize(
    ("given_", "named"),
    [
        ((-1, 1, 0, 1), "before_counts"),
        ((1, 0, 0, 1), "before_exposures"),
        ((1, 1, -1, 1), "after_counts"),
        ((1, 1, 0, -1), "after_exposures"),
    ],
)
def test_bad_arguments_are_named(given_: tuple[float, ...], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        log_evidence(*given_)
