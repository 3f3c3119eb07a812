"""How much a count is expected to tell about which of two explanations is right."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.stats.telling_apart import expected_information


def test_nothing_is_told_where_both_expect_the_same() -> None:
    assert expected_information(0.4, [3.0], [3.0])[0] == pytest.approx(0.0, abs=1e-9)


def test_nearly_all_is_told_where_they_expect_very_different_counts() -> None:
    assert expected_information(0.5, [0.0], [20.0])[0] == pytest.approx(1.0, abs=1e-3)
    entropy = -(0.9 * np.log2(0.9) + 0.1 * np.log2(0.1))
    assert expected_information(0.9, [1e6], [2e6])[0] == pytest.approx(entropy, abs=1e-3)


def test_the_figure_is_that_of_a_sample() -> None:
    random = np.random.default_rng(2)
    chance, means = 0.7, np.array([2.0, 6.0])
    right = (random.random(200_000) > chance).astype(int)
    counts = random.poisson(means[right])
    log_odds = np.log(chance / (1 - chance)) + counts * np.log(2 / 6) - (2 - 6)
    posterior = 1 / (1 + np.exp(-log_odds))
    left = -(posterior * np.log2(posterior) + (1 - posterior) * np.log2(1 - posterior))
    before = -(chance * np.log2(chance) + (1 - chance) * np.log2(1 - chance))
    found = expected_information(chance, [2.0], [6.0])[0]
    assert found == pytest.approx(before - left.mean(), abs=0.005)


@given(st.floats(0.01, 0.99), st.floats(0, 300), st.floats(0, 300))
def test_it_is_symmetric_and_never_more_than_what_is_open(
    chance: float, one: float, other: float
) -> None:
    found = expected_information(chance, [one], [other])[0]
    again = expected_information(1 - chance, [other], [one])[0]
    entropy = -(chance * np.log2(chance) + (1 - chance) * np.log2(1 - chance))
    assert found == pytest.approx(again, abs=1e-6)
    assert 0 <= found <= entropy + 1e-6


def test_a_certain_explanation_is_refused() -> None:
    with pytest.raises(ValueError, match="probability"):
        expected_information(1.0, [1.0], [2.0])
