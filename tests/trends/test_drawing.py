import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.trends.drawing import (
    CHART_HEIGHT,
    MOST_BARS,
    MOST_MARKS,
    NAMES_PERCENT,
    ChartPlace,
    ParetoPlace,
    RatePlace,
    chart_figure,
    nice_steps,
    pareto_figure,
    whiskers,
)

amounts = st.floats(0, 1e6, allow_nan=False)


@given(st.floats(1e-6, 1e9))
def test_a_scale_reaches_its_top_in_few_round_steps(top: float) -> None:
    steps = nice_steps(top)
    assert steps[0] == 0
    assert steps[-1] >= top * (1 - 1e-6)
    assert 2 <= len(steps) <= 7
    first = f"{steps[1]:.3e}"
    assert first.split("e", maxsplit=1)[0] in {"1.000", "2.000", "5.000"}


@pytest.mark.parametrize("top", [0.0, -1.0, float("nan"), float("inf")])
def test_a_scale_of_nothing_is_still_a_scale(top: float) -> None:
    assert nice_steps(top) == [0.0, 1.0]


def _rate(value: float | None, low: float, high: float) -> RatePlace:
    return RatePlace("3-7", value, low, high, value, "words")


@given(st.lists(st.tuples(amounts, amounts, amounts), min_size=1, max_size=20))
def test_every_whisker_lies_within_the_figure_and_around_its_dot(
    triples: list[tuple[float, float, float]],
) -> None:
    places = [_rate(value, low, high) for low, value, high in map(sorted, triples)]
    figure = whiskers(places, together=1.0)
    for row in figure.rows:
        assert row.value is not None
        assert NAMES_PERCENT <= row.low <= row.value <= row.high <= 100
    assert figure.height > figure.rows[-1].y


def test_a_whisker_beyond_the_scale_says_so() -> None:
    figure = whiskers([_rate(1, 0.5, 2), _rate(1, 0.5, 2), _rate(1, 0.1, 50)])
    assert [row.beyond for row in figure.rows] == [False, False, True]


def test_a_row_without_a_rate_has_no_dot() -> None:
    [row] = whiskers([RatePlace("3-7", None, None, None, None, "no strokes")]).rows
    assert row.value is None
    assert not row.beyond


def _point(value: float | None, upper: float | None, outside: bool = False) -> ChartPlace:
    return ChartPlace("2026-03-01", value, 0.0, upper, 1.0, outside, True, "words")


def test_points_limits_and_gaps_become_paths() -> None:
    figure = chart_figure([_point(1, 3), _point(None, None), _point(2, 3), _point(5, 4, True)])
    assert figure.line.count("M") == 2
    assert [mark.shape for mark in figure.marks] == ["point", "point", "outside"]
    heights = [mark.y for mark in figure.marks]
    assert heights == sorted(heights, reverse=True)
    assert all(0 < height < CHART_HEIGHT for height in heights)
    assert len(figure.x_ticks) == 3


def test_fractions_near_one_are_not_squeezed_onto_a_scale_from_zero() -> None:
    places = [
        ChartPlace("w", 0.953 + 0.001 * (i % 2), 0.95, 0.956, 0.953, False, True, "")
        for i in range(6)
    ]
    texts = [tick.text for tick in chart_figure(places).y_ticks]
    assert "0" not in texts
    assert len(texts) == len(set(texts)) >= 3


def test_many_points_leave_only_those_outside_marked() -> None:
    places = [_point(1, 3, outside=index == 7) for index in range(MOST_MARKS + 1)]
    assert [mark.shape for mark in chart_figure(places).marks] == ["outside"]


def test_a_chart_of_nothing_has_no_marks() -> None:
    figure = chart_figure([])
    assert (figure.line, figure.marks, figure.x_ticks) == ("", (), ())


def test_the_longest_bar_is_as_wide_as_the_figure_and_the_rest_is_left_to_the_table() -> None:
    places = [ParetoPlace(f"d{i}", 1 / 20, (i + 1) / 20, "") for i in range(20)]
    figure = pareto_figure(places)
    assert len(figure.rows) == MOST_BARS
    assert figure.more == 20 - MOST_BARS
    assert {row.width for row in figure.rows} == {100.0}
    assert figure.rows[0].share == "5 %"
    assert pareto_figure([ParetoPlace("a", 0.999, 0.999, "")]).rows[0].share == "99 %"
