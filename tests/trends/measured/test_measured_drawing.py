"""Where the marks of figures of measured values lie."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.stats.normality import histogram, normal_plot
from tracelog.trends.measured.drawing import (
    LEVEL_HEIGHT,
    Place,
    histogram_figure,
    panel,
    plot_figure,
    round_steps,
    step_texts,
)
from tracelog.trends.measured.wording import digits_for, share_text


def _place(value: float | None, **more: object) -> Place:
    values: dict[str, object] = {
        "label": "2026-03-01",
        "value": value,
        "lower": 9.0,
        "centre": 10.0,
        "upper": 11.0,
        "shape": "point",
        "text": "a point",
    }
    return Place(**(values | more))  # type: ignore[arg-type]


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_round_steps_hold_all_values_and_are_few(low: float, width: float) -> None:
    high = low + width
    if not high > low:
        return
    steps = round_steps(low, high)
    assert 2 <= len(steps) <= 8
    slack = 1e-6 * max(abs(low), abs(high), width)
    assert steps[0] <= low + slack
    assert steps[-1] >= high - slack


def test_a_single_value_has_a_scale_around_it() -> None:
    steps = round_steps(5, 5)
    assert steps[0] < 5 < steps[-1]
    assert step_texts([0.0, 0.5, 1.0]) == ["0.0", "0.5", "1.0"]


def test_higher_values_lie_higher_and_a_gap_breaks_the_line() -> None:
    drawn = panel([_place(9.5), _place(None), _place(10.5)], LEVEL_HEIGHT)
    low, high = drawn.marks
    assert low.y > high.y
    assert low.x < high.x
    assert drawn.line.count("M") == 2
    assert drawn.upper.startswith("M")


def test_each_sum_of_a_cusum_has_its_own_shape() -> None:
    drawn = panel([_place(0.0, fall=12.0, fall_shape="outside", lower=-11.0)], LEVEL_HEIGHT)
    assert [mark.shape for mark in drawn.marks] == ["point", "outside"]
    assert drawn.marks[0].y < drawn.marks[1].y


def test_many_points_leave_only_the_marked_ones() -> None:
    places = [_place(10.0)] * 300 + [_place(12.0, shape="outside"), _place(10.0, shape="in-run")]
    assert [mark.shape for mark in panel(places, LEVEL_HEIGHT).marks] == ["outside", "in-run"]


def test_bars_stand_on_the_foot_and_limits_are_within_the_figure() -> None:
    found = histogram([1.0, 2.0, 2.0, 3.0, 3.0, 3.0])
    drawn = histogram_figure(found, [(0.0, "lower"), (6.0, "upper")], [""] * found.counts.size)
    assert all(bar.y + bar.height == pytest.approx(drawn.foot) for bar in drawn.bars)
    assert [limit.text for limit in drawn.limits] == ["lower", "upper"]
    assert all(0 <= limit.place <= 100 for limit in drawn.limits)
    assert drawn.limits[0].place < drawn.bars[0].x


def test_a_probability_plot_rises_from_left_to_right() -> None:
    plot = normal_plot([5.0, 1.0, 3.0, 2.0])
    drawn = plot_figure(plot, ["", "", "", ""])
    xs, ys = [dot.x for dot in drawn.dots], [dot.y for dot in drawn.dots]
    assert xs == sorted(xs)
    assert ys == sorted(ys, reverse=True)
    assert drawn.line[0] < drawn.line[2]
    assert drawn.line[1] > drawn.line[3]


def test_figures_show_the_digits_that_matter() -> None:
    assert [digits_for(sigma) for sigma in (None, 0.0, 0.0007, 0.03, 12)] == [3, 3, 5, 3, 0]
    assert share_text(None) == ""
    assert share_text(0) == "0"
    assert share_text(0.0000027) == "2.7 in a million"
    assert share_text(0.045) == "4.5 %"
