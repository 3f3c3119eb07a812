"""Run rules and how often they signal."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracelog.stats.run_length import WESTERN_ELECTRIC, run_rules_arl
from tracelog.stats.run_rules import nelson, western_electric

POINTS = st.lists(st.floats(-4, 4), min_size=1, max_size=60)


def plain_count(z: list[float], needed: int, window: int, limit: float) -> list[int]:
    """The definition, written out: the point is beyond, and enough of its window are."""
    found = []
    for i in range(len(z)):
        for side in (1, -1):
            recent = [side * x > limit + 1e-9 for x in z[max(0, i - window + 1) : i + 1]]
            if recent[-1] and sum(recent) >= needed:
                found.append(i)
                break
    return found


@given(POINTS)
def test_each_western_electric_rule_finds_what_its_definition_says(z: list[float]) -> None:
    rules = western_electric(z)
    for hits, (needed, window, limit) in zip(rules, WESTERN_ELECTRIC, strict=True):
        assert hits.points.tolist() == plain_count(z, needed, window, limit)


@given(POINTS)
def test_turning_the_chart_over_changes_no_rule(z: list[float]) -> None:
    for rules in (western_electric, nelson):
        for one, other in zip(rules(z), rules([-x for x in z]), strict=True):
            assert one.points.tolist() == other.points.tolist()


@given(POINTS, st.integers(0, 60))
def test_a_later_point_never_changes_an_earlier_flag(z: list[float], cut: int) -> None:
    cut = max(1, min(cut, len(z)))
    for whole, part in zip(nelson(z), nelson(z[:cut]), strict=True):
        assert part.points.tolist() == [i for i in whole.points if i < cut]


def test_a_missing_point_is_passed_over() -> None:
    with_gap = nelson([0.1, np.nan, 0.2, 0.3, 0.4, np.nan, 0.5, 0.6])
    assert with_gap[2].points.tolist() == [7]


def test_a_point_on_the_centre_ends_a_run_and_equal_points_are_no_trend() -> None:
    assert western_electric([0.5] * 7 + [0.0] + [0.5] * 7)[3].points.size == 0
    assert nelson([0.1, 0.2, 0.3, 0.3, 0.4, 0.5, 0.6])[2].points.size == 0
    assert nelson([0.1] * 20)[3].points.size == 0


def test_every_rule_names_its_publication() -> None:
    names = [hits.name for hits in (*western_electric([0.0]), *nelson([0.0]))]
    assert names[1] == "Western Electric 1956 rule 2"
    assert names[-1] == "Nelson 1984 rule 8"
    assert len(set(names)) == 12


def test_an_endless_distance_is_beyond_every_limit() -> None:
    assert western_electric([0.0, np.inf])[0].points.tolist() == [1]


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0, 3.0])
def test_the_run_length_of_a_plain_chart_is_one_over_its_chance(shift: float) -> None:
    beyond = stats.norm.sf(3 - shift) + stats.norm.cdf(-3 - shift)
    assert run_rules_arl([(1, 1, 3.0)], shift) == pytest.approx(1 / beyond)


def test_the_run_length_of_a_run_of_eight_is_that_of_coin_tosses() -> None:
    """First run of 8 equal tosses of a fair coin: 2^8 - 1 tosses (Feller, vol. 1, ch. XIII)."""
    assert run_rules_arl([(8, 8, 0.0)]) == pytest.approx(255)


def test_run_lengths_agree_with_the_rules_applied_to_random_points() -> None:
    rng = np.random.default_rng(11)
    lengths = []
    for _ in range(1500):
        z = rng.normal(1.0, 1.0, size=200)
        firsts = [hits.points[0] for hits in western_electric(z) if hits.points.size]
        lengths.append(min(firsts) + 1)
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert abs(np.mean(lengths) - run_rules_arl(WESTERN_ELECTRIC, shift=1.0)) < 4 * error


@pytest.mark.parametrize("rules", [[], [(3, 2, 1.0)], [(0, 1, 1.0)], [(1, 1, -1.0)]])
def test_impossible_rules_are_refused(rules: list) -> None:
    with pytest.raises(ValueError, match=r"^rules must"):
        run_rules_arl(rules)
