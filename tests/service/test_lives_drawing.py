"""Where the marks of the figures of lives lie."""

import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracelog.service.lives_drawing import (
    FOOT,
    TOP,
    WIDTH,
    LifeFigure,
    plot_figure,
    runs_figure,
    survival_figure,
)
from tracelog.service.machine_lives_rules import Run, run_figures
from tracelog.stats.kaplan_meier import kaplan_meier
from tracelog.stats.lifetimes import fit_weibull
from tracelog.stats.probability_plot import weibull_plot


def points(path: str) -> list[tuple[float, float]]:
    found = re.findall(r"[ML](-?[\d.e+]+) (-?[\d.e+]+)", path)
    assert "nan" not in path
    return [(float(x), float(y)) for x, y in found]


def lives(seed: int, size: int = 30, scale: float = 2e7) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    ages = scale * rng.weibull(2.0, size)
    return np.minimum(ages, 0.9 * scale), ages <= 0.9 * scale


def drawn(seed: int, scale: float = 2e7) -> LifeFigure:
    ages, failed = lives(seed, scale=scale)
    return plot_figure(weibull_plot(fit_weibull(ages, failed), ages, failed))


@given(st.integers(0, 500), st.sampled_from([20.0, 3e5, 2e7, 1e12]))
@settings(deadline=None, max_examples=25)
def test_weibull_paper_holds_its_points_and_a_straight_line(seed: int, scale: float) -> None:
    figure = drawn(seed, scale)
    for mark in figure.marks:
        assert -0.01 <= mark.x <= 100.01
        assert TOP - 0.01 <= mark.y <= FOOT + 0.01
        assert "failed" in mark.text
    line = points(figure.fitted)
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(line)]
    assert slopes == pytest.approx([slopes[0]] * len(slopes), abs=0.02)
    assert figure.band.endswith("Z")
    assert 1 <= len(figure.x_ticks) <= 8
    assert all(0 <= tick.place <= 100 for tick in figure.x_ticks)
    places = [tick.place for tick in figure.y_ticks]
    assert places == sorted(places, reverse=True)
    assert all(a - b >= 20 for a, b in pairwise(places))


def test_the_curve_falls_in_steps_from_all_to_the_last_share() -> None:
    ages, failed = lives(3)
    curve = kaplan_meier(ages, failed)
    figure = survival_figure(curve, fit_weibull(ages, failed), float(ages.max()))
    steps = points(figure.line)
    assert steps[0] == (0, TOP)
    assert steps[-1][0] == WIDTH
    assert steps[-1][1] == pytest.approx(FOOT - curve.survival[-1] * (FOOT - TOP), abs=0.01)
    assert [y for _x, y in steps] == sorted(y for _x, y in steps)
    assert points(figure.fitted)[0] == (0, TOP)
    assert survival_figure(curve, None, float(ages.max())).fitted == ""


def test_a_curve_of_late_entries_begins_where_they_begin() -> None:
    curve = kaplan_meier([20.0, 30.0], [True, True], [10.0, 12.0])
    figure = survival_figure(curve, None, 30.0)
    assert points(figure.line)[0][0] == pytest.approx(WIDTH / 3, abs=0.01)


def test_unplanned_services_rise_in_steps_beside_their_fit() -> None:
    runs = [Run("1-1", 100, (10, 50)), Run("1-2", 80, (30,))]
    figure = runs_figure(run_figures(runs))
    assert figure is not None
    heights = [y for _x, y in points(figure.line)]
    assert heights == sorted(heights, reverse=True)
    assert points(figure.fitted)[0] == (0, FOOT)
    assert runs_figure(run_figures([Run("1-1", 100, ())])) is None
    single = runs_figure(run_figures([Run("1-1", 100, (10,))]))
    assert single is not None
    assert single.fitted == ""
