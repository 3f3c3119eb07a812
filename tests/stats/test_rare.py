"""Charts for rare events."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracelog.stats.rare import (
    conforming_count_limits,
    g_chart,
    gaps_chart,
    power_transform,
    transformed_gaps_chart,
)


@given(st.floats(1e-6, 0.5))
def test_the_g_chart_has_mean_and_spread_of_the_geometric_distribution(fraction: float) -> None:
    chart = g_chart([1, 2], fraction=fraction)
    assert chart.centre == pytest.approx(stats.geom.mean(fraction) - 1, abs=1e-9)
    spread = (chart.upper[0] - chart.centre) / 3
    assert spread == pytest.approx(stats.geom.std(fraction))


@given(st.floats(1e-6, 0.5), st.floats(1e-4, 0.4))
def test_the_limits_of_the_conforming_count_leave_the_tails_outside(
    fraction: float, tail: float
) -> None:
    limits = conforming_count_limits(fraction, tail)
    assert limits.lower < limits.median < limits.upper
    assert (1 - fraction) ** limits.upper == pytest.approx(tail, rel=1e-9)
    assert (1 - fraction) ** limits.lower == pytest.approx(1 - tail, rel=1e-9)


@given(st.integers(1, 12), st.floats(1, 1e7), st.floats(1e-4, 0.2))
def test_gap_limits_are_gamma_quantiles(events: int, mean: float, tail: float) -> None:
    chart = gaps_chart([mean], mean=mean, tail=tail, events_per_gap=events)
    gamma = stats.gamma(events, scale=mean)
    assert chart.lower[0] == pytest.approx(gamma.ppf(tail))
    assert chart.upper[0] == pytest.approx(gamma.isf(tail))
    assert chart.centre == pytest.approx(gamma.median())


@given(st.lists(st.floats(0, 1e8), min_size=2, max_size=30).filter(any))
def test_a_gap_is_outside_exactly_when_its_normal_score_is(gaps: list[float]) -> None:
    chart = gaps_chart(gaps)
    expected = np.flatnonzero(np.abs(chart.z) > chart.sigmas + 1e-9)
    assert chart.outside.tolist() == expected.tolist()


def test_one_gap_tells_little_and_several_events_tell_more() -> None:
    one = gaps_chart([5_000.0], mean=100_000)
    five = gaps_chart([25_000.0], mean=100_000, events_per_gap=5)
    assert one.outside.size == 0
    assert five.outside.tolist() == [0]


def test_a_baseline_sets_the_mean_per_event() -> None:
    chart = gaps_chart([300.0, 500.0, 1e6], baseline=[True, True, False], events_per_gap=4)
    assert chart.centre == pytest.approx(stats.gamma(4, scale=100).median())
    assert chart.outside.tolist() == [2]


def test_transformed_exponential_gaps_are_nearly_normal() -> None:
    chances = (np.arange(5000) + 0.5) / 5000
    transformed = power_transform(stats.expon.ppf(chances))
    assert abs(stats.skew(transformed)) < 0.05
    assert transformed_gaps_chart([10.0, 20.0, 15.0]).level.centre == pytest.approx(
        power_transform([10.0, 20.0, 15.0]).mean()
    )


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: g_chart([1.5]), "units_between"),
        (lambda: g_chart([1], fraction=1.0), "fraction"),
        (lambda: conforming_count_limits(0), "fraction"),
        (lambda: gaps_chart([-1]), "strokes_between"),
        (lambda: gaps_chart([0.0, 0.0]), "baseline"),
        (lambda: gaps_chart([1.0], tail=0.6), "tail"),
        (lambda: gaps_chart([1.0], events_per_gap=0), "events_per_gap"),
        (lambda: power_transform(-1), "between"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
