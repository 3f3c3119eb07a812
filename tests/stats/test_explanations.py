"""The one formula by which causes are weighed, against brute force and exact figures."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from tracelog.stats.explanations import (
    GRID,
    LARGEST_RATIO,
    LEAST_RATIO,
    Pieces,
    level_curves,
    log_evidence,
    log_noticed,
    noticed_priors,
    probabilities,
    raised_levels,
    ratio_interval,
    summed,
    usual_levels,
)


def pieces(counts: list[float], expected: list[float], shape: float) -> Pieces:
    size = len(counts)
    return Pieces(
        np.zeros(size, dtype=np.intp),
        np.array(counts),
        np.array(expected),
        np.full(size, shape),
    )


def test_a_curve_is_the_ratio_of_negative_binomials() -> None:
    shape, expected, found = 3.5, 2.0, 7
    curve = level_curves(pieces([found], [expected], shape), 1)[0]
    for level, value in zip(GRID, curve, strict=True):
        mean = expected * np.exp(level)
        log_raised = stats.nbinom.logpmf(found, shape, shape / (shape + mean))
        log_usual = stats.nbinom.logpmf(found, shape, shape / (shape + expected))
        assert value == pytest.approx(log_raised - log_usual, abs=1e-9)


def test_a_level_known_exactly_gives_the_poisson_ratio() -> None:
    curve = level_curves(pieces([8], [2.0], 1e9), 1)[0]
    assert curve == pytest.approx(8 * GRID - 2 * np.expm1(GRID), abs=1e-4)


def test_the_evidence_is_that_of_a_numerical_integral() -> None:
    curves = level_curves(pieces([8], [2.0], 1e9), 1)

    def poisson(log_ratio: float) -> float:
        return float(np.exp(8 * log_ratio - 2 * np.expm1(log_ratio)))

    def chance(log_ratio: float) -> float:
        excess = 2 * np.expm1(log_ratio) / 15
        return float(np.exp(-0.5 * log_ratio) * excess**4 / (1 + excess**4))

    low, high = np.log(LEAST_RATIO), np.log(LARGEST_RATIO)
    area = integrate.quad(lambda t: np.exp(-0.5 * t), low, high)[0]
    seen = integrate.quad(chance, low, high)[0]
    whole = integrate.quad(lambda t: chance(t) * poisson(t), low, high)[0]
    factor, noticed = log_evidence(curves, [0.0], [2.0])
    assert factor[0] == pytest.approx(np.log(whole / seen), abs=0.12)
    assert noticed[0] == pytest.approx(np.log(seen / area), abs=0.12)


def test_chances_of_levels_add_up_to_one_and_have_their_means() -> None:
    variances = [0.0, 0.05, 0.4]
    for chances in (usual_levels(variances), raised_levels(variances)):
        assert np.exp(chances).sum(axis=1) == pytest.approx(1.0)
    mean = (np.exp(usual_levels([0.05])) * np.exp(GRID)).sum()
    assert mean == pytest.approx(1.0, abs=0.01)
    # Of a density falling as the power -1.5 from 2 to 128, the share above 4.
    above = np.exp(raised_levels([0.0]))[0, np.log(4) < GRID].sum()
    assert above == pytest.approx(0.665, abs=0.03)


def test_what_is_shared_by_all_pieces_makes_the_same_counts_less_telling() -> None:
    curves = level_curves(pieces([30], [10.0], 100.0), 1)
    (sure, unsure), _noticed = log_evidence(np.repeat(curves, 2, 0), [0.01, 0.5], [10.0, 10.0])
    assert sure > 8 > unsure + 4


def test_nothing_found_where_much_was_expected_speaks_against_a_cause() -> None:
    curves = level_curves(pieces([0], [6.0], 50.0), 1)
    assert log_evidence(curves, [0.02], [6.0])[0][0] < -1.5


def test_what_nobody_would_have_noticed_leaves_its_chance_to_others_of_its_family() -> None:
    before = np.log([0.2, 0.2, 0.3])
    after = noticed_priors(before, log_noticed([0.0, 40.0, 10.0]), np.array([0, 0, 1]))
    assert np.exp(after) == pytest.approx([0.0, 0.4, 0.3], abs=1e-9)


def test_fifteen_in_excess_are_noticed_half_of_the_time() -> None:
    assert np.exp(log_noticed([15.0, 26.0, 5.0])) == pytest.approx([0.5, 0.9, 0.012], abs=0.002)


@given(st.lists(st.floats(-8, 30), min_size=1, max_size=30), st.floats(0.05, 0.95))
def test_probabilities_add_up_to_one(factors: list[float], any_cause: float) -> None:
    priors = np.full(len(factors), np.log(any_cause / len(factors)))
    shares, nothing = probabilities(priors, np.array(factors))
    assert shares.sum() + nothing == pytest.approx(1.0)
    assert (shares >= 0).all()


def test_a_factor_of_nine_makes_even_chances_nine_tenths() -> None:
    shares, nothing = probabilities(np.log([0.5]), np.log([9.0]))
    assert (shares[0], nothing) == (pytest.approx(0.9), pytest.approx(0.1))


def test_priors_that_leave_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="log_priors"):
        probabilities(np.log([0.6, 0.4]), np.zeros(2))


def test_the_interval_of_a_ratio_is_the_exact_poisson_one_where_all_else_is_known() -> None:
    middle, low, high = ratio_interval(20, 4.0, 0.0)
    exact = stats.gamma.ppf([0.5, 0.025, 0.975], 20.5) / 4
    assert [middle, low, high] == pytest.approx(exact, rel=1e-3)


def test_the_interval_of_a_ratio_grows_with_what_is_not_known() -> None:
    middle, low, high = ratio_interval(20, 4.0, 0.01)
    assert (round(float(middle), 1), round(float(low), 1)) == (5.1, 3.1)
    wide_low, wide_high = ratio_interval(20, 4.0, 0.3)[1:]
    assert wide_low < low < middle < high < wide_high


def test_sums_by_set_leave_sets_without_pieces_at_nothing() -> None:
    found = summed(np.array([[1.0], [2.0], [5.0]]), np.array([0, 0, 2]), 4)
    assert found.ravel().tolist() == [3, 0, 5, 0]
