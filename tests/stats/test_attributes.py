"""Charts for counted data."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.stats.attributes import (
    c_chart,
    laney_p_chart,
    laney_u_chart,
    np_chart,
    p_chart,
    u_chart,
)

COUNTS = st.lists(st.integers(0, 200), min_size=2, max_size=40)


@given(COUNTS, st.floats(0.5, 5))
def test_a_u_chart_of_equal_exposures_is_a_c_chart_in_other_units(
    counts: list[int], sigmas: float
) -> None:
    c, u = c_chart(counts, sigmas=sigmas), u_chart(counts, 4.0, sigmas=sigmas)
    assert u.centre * 4 == pytest.approx(c.centre)
    np.testing.assert_allclose(u.upper * 4, c.upper)
    np.testing.assert_allclose(u.lower * 4, c.lower, atol=1e-12)
    np.testing.assert_allclose(u.z, c.z, atol=1e-9)


@given(st.lists(st.integers(0, 50), min_size=1, max_size=30))
def test_an_np_chart_is_a_p_chart_times_the_sample_size(defective: list[int]) -> None:
    count, fraction = np_chart(defective, 50), p_chart(defective, 50)
    np.testing.assert_allclose(count.upper, fraction.upper * 50, atol=1e-9)
    np.testing.assert_allclose(count.lower, fraction.lower * 50, atol=1e-9)


@given(
    st.lists(
        st.tuples(st.integers(0, 30), st.just(0.0) | st.floats(1e-3, 100)),
        min_size=1,
        max_size=30,
    )
)
def test_limits_stay_possible_and_points_without_exposure_are_never_outside(
    points: list[tuple[int, float]],
) -> None:
    counts, exposure = np.array([p[0] for p in points]), np.array([p[1] for p in points])
    if not exposure.any():
        with pytest.raises(ValueError, match=r"^baseline must"):
            u_chart(counts, exposure)
        return
    chart = u_chart(counts, exposure)
    blank = exposure == 0
    assert np.isnan(chart.statistic[blank]).all()
    assert not blank[chart.outside].any()
    assert (chart.lower[~blank] >= 0).all()
    assert (chart.lower[~blank] <= chart.centre + 1e-9).all()


def test_a_point_is_outside_exactly_when_it_is_beyond_a_limit() -> None:
    chart = u_chart([4, 40, 5, 6, 3, 5], [1, 1, 1, 1, 1, 0], baseline=[True] + [False] + [True] * 4)
    assert chart.centre == 4.5
    assert chart.outside.tolist() == [1]
    assert chart.upper[0] == pytest.approx(4.5 + 3 * math.sqrt(4.5))


def test_a_point_on_its_limit_is_not_outside_though_the_limit_is_rounded() -> None:
    counts = np.array([10.0, 10.0])
    limit = 10 + 3 * math.sqrt(10)
    chart = u_chart(counts, 1.0, sigmas=3.0, centre=10)
    assert chart.upper[0] == limit
    at_limit = p_chart([1, 9], [10, 10], centre=0.5, sigmas=0.4 / math.sqrt(0.025))
    assert at_limit.outside.size == 0


def test_later_points_do_not_move_a_frozen_baseline() -> None:
    mask = np.array([True] * 4 + [False] * 2)
    before = u_chart([5, 6, 4, 5, 5, 5], 10.0, baseline=mask)
    after = u_chart([5, 6, 4, 5, 50, 60], 10.0, baseline=mask)
    assert before.centre == after.centre == 0.5
    assert after.outside.tolist() == [4, 5]


def test_a_baseline_without_any_event_signals_the_first_event() -> None:
    chart = u_chart([0, 0, 0, 1], 1e6, baseline=[True, True, True, False])
    assert chart.centre == 0
    assert chart.outside.tolist() == [3]
    assert np.isinf(chart.z[3])


def test_laneys_limits_widen_in_proportion_to_the_spread_of_z() -> None:
    counts = [300, 500, 310, 480, 290, 510]
    plain, laney = u_chart(counts, 100.0), laney_u_chart(counts, 100.0)
    moving = np.abs(np.diff(plain.z)).mean() / (2 / math.sqrt(math.pi))
    assert laney.sigma_z == pytest.approx(moving)
    np.testing.assert_allclose(laney.upper - laney.centre, moving * (plain.upper - plain.centre))
    np.testing.assert_allclose(laney.z, plain.z / moving)
    assert plain.outside.size > 0
    assert laney.outside.size == 0


def test_laney_skips_points_without_exposure_when_it_measures_the_spread() -> None:
    gap = laney_p_chart([40, 0, 60, 45], [1000, 0, 1000, 1000])
    dense = laney_p_chart([40, 60, 45], [1000, 1000, 1000])
    assert gap.sigma_z == pytest.approx(dense.sigma_z)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: u_chart([], []), "counts"),
        (lambda: u_chart([1, 2], [1, 2, 3]), "counts and exposure"),
        (lambda: u_chart([1, -2], [1, 2]), "counts"),
        (lambda: u_chart([1, 2], [1, 2], baseline=[True]), "baseline"),
        (lambda: u_chart([1, 2], [1, 2], baseline=[False, False]), "baseline"),
        (lambda: u_chart([1, 2], [1, 2], baseline=[1, 0]), "baseline"),
        (lambda: u_chart([1, 2], [1, 2], sigmas=0), "sigmas"),
        (lambda: u_chart([1, 2], [1, 2], centre=-1), "centre"),
        (lambda: p_chart([3], [2]), "defective"),
        (lambda: p_chart([1], [2], centre=1.5), "centre"),
        (lambda: np_chart([1, 2], [10, 20]), "inspected"),
        (lambda: np_chart([0], 0), "inspected"),
        (lambda: c_chart([0.5]), "counts"),
        (lambda: laney_u_chart([1], [1]), "baseline"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
