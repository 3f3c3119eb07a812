"""Figures: pure functions that give paths."""

import math
import re
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.web import figures

SHARES = st.floats(min_value=-1, max_value=5, allow_nan=False)
NUMBERS = re.compile(r"-?\d+(?:\.\d+)?")


def arc_degrees(path: str) -> float:
    """How many degrees the arcs of a path span clockwise, from where their ends lie."""
    total = 0.0
    arcs = r"M(\S+) (\S+)A\S+ \S+ 0 (\d) 1 (\S+?) ([\d.-]+?)(?=M|$)"
    for x1, y1, large, x2, y2 in re.findall(arcs, path):
        span = (bearing(float(x2), float(y2)) - bearing(float(x1), float(y1))) % 360
        # The flag must choose the same of the two arcs; half a circle may be either.
        assert (span > 180) == (large == "1") or span == pytest.approx(180, abs=0.1)
        total += span
    return total


def bearing(x: float, y: float) -> float:
    """Degrees clockwise from the top, seen from the centre of the figure."""
    return math.degrees(math.atan2(x - figures.CENTRE, figures.CENTRE - y))


def test_the_quarter_is_a_quarter() -> None:
    assert figures.arc_path(40, 0, 90) == "M50 10A40 40 0 0 1 90 50"
    assert figures.arc_path(40, 90, 90) == ""
    assert figures.arc_path(40, 90, 10) == ""


@given(st.floats(min_value=0.5, max_value=359.5), st.floats(min_value=0, max_value=360))
def test_an_arc_spans_what_it_was_asked_to(sweep: float, start: float) -> None:
    path = figures.arc_path(40, start, start + sweep)
    assert arc_degrees(path) == pytest.approx(sweep, abs=0.05)


def test_a_whole_circle_takes_two_arcs() -> None:
    assert arc_degrees(figures.arc_path(40, 0, 360)) == pytest.approx(360, abs=0.05)
    assert figures.arc_path(40, 0, 360).count("A") == 2


@given(st.none() | SHARES, st.booleans(), st.booleans())
def test_every_state_stays_in_the_square(share: float | None, notch: bool, stopped: bool) -> None:
    can = figures.can_figure(share, notch, stopped)
    assert bool(can.notch) == notch
    assert bool(can.break_ends) == stopped
    assert bool(can.over) == (share is not None and share > 1)
    for path in (can.rim, can.ring, can.used, can.over, can.notch, can.break_ends):
        points = re.sub(r"A\S+ \S+ \d \d \d?", " ", path)
        assert all(-2 <= float(number) <= 102 for number in NUMBERS.findall(points))


@pytest.mark.parametrize("share", [0.01, 0.25, 0.63, 0.5, 1.0])
def test_the_ring_is_used_up_by_share(share: float) -> None:
    used = figures.can_figure(share).used
    assert arc_degrees(used) == pytest.approx(360 * share, abs=0.05)


def test_beyond_the_interval_a_second_arc_tells_by_how_much() -> None:
    can = figures.can_figure(1.3)
    assert arc_degrees(can.used) == pytest.approx(360, abs=0.6)
    assert arc_degrees(can.over) == pytest.approx(108, abs=0.6)
    assert figures.can_figure(7).over == figures.can_figure(2).over


def test_a_stopped_machine_has_a_break_in_its_ring() -> None:
    whole, broken = figures.can_figure(0.9), figures.can_figure(0.9, stopped=True)
    gap = 2 * figures.BREAK_HALF_DEGREES
    for name in ("ring", "rim"):
        spans = [arc_degrees(getattr(can, name)) for can in (whole, broken)]
        assert spans[0] - spans[1] == pytest.approx(gap, abs=1)
    assert arc_degrees(broken.used) == pytest.approx(324 - gap, abs=1)


@pytest.mark.parametrize(
    ("share", "notch", "stopped", "words"),
    [
        (None, False, False, "3-7"),
        (0.634, False, False, "3-7, 63 % of the service interval used"),
        (0.999, False, False, "3-7, 99 % of the service interval used"),
        (1.2, False, False, "3-7, 120 % of the service interval used, past its interval"),
        (0.5, True, True, "3-7, 50 % of the service interval used, needs attention, stopped"),
    ],
)
def test_the_state_is_told_in_words(
    share: float | None, notch: bool, stopped: bool, words: str
) -> None:
    assert figures.can_words("3-7", share, notch, stopped) == words


@given(st.lists(st.none() | st.floats(min_value=-1e6, max_value=1e9), max_size=40))
def test_a_line_stays_in_its_drawing_and_marks_lone_values(values: list[float | None]) -> None:
    line = figures.sparkline(values, 120, 32)
    pairs = re.findall(r"[ML]([\d.e+-]+) ([\d.e+-]+)", line.path)
    assert len(pairs) == sum(value is not None for value in values)
    assert all(0 <= float(x) <= 120 and 0 <= float(y) <= 32 for x, y in pairs)
    if values and values[-1] is not None:
        assert line.dots


def test_a_gap_breaks_the_line() -> None:
    line = figures.sparkline([1, 2, None, 5, None, 4, 3])
    assert line.path.count("M") == 3
    assert len(line.dots) == 2


@given(
    st.lists(st.none() | st.floats(min_value=0, max_value=1e9), max_size=40),
    st.none() | st.floats(min_value=1, max_value=1e9),
)
def test_bars_stand_on_the_ground_and_grow_with_their_values(
    values: list[float | None], highest: float | None
) -> None:
    figure = figures.bars(values, highest=highest)
    known = [value for value in values if value is not None]
    assert len(figure.bars) == len(known)
    for bar in figure.bars:
        assert bar.y + bar.height == pytest.approx(figure.height, abs=0.02)
        assert 0 <= bar.x <= figure.width - bar.width + 0.02
    heights = [bar.height for bar in figure.bars]
    order = sorted(range(len(known)), key=lambda place: known[place])
    assert all(heights[small] <= heights[large] + 0.01 for small, large in pairwise(order))


def test_bars_say_their_values_and_some_are_marked() -> None:
    figure = figures.bars([1, 0, 4], ["one", "none", "four"], marked=frozenset({2}))
    assert [bar.text for bar in figure.bars] == ["one", "none", "four"]
    assert [bar.marked for bar in figure.bars] == [False, False, True]
    assert figure.bars[1].height == 0
    assert figures.bars([]).bars == ()


def test_an_interval_that_runs_off_the_scale_says_so() -> None:
    drawn = figures.interval(1, 2, 3, 4, width=112)
    assert (drawn.low, drawn.value, drawn.high, drawn.beyond) == (31, 56, 81, False)
    beyond = figures.interval(1, 2, 30, 4, width=112)
    assert (beyond.high, beyond.beyond) == (106, True)
    assert figures.interval(0, 0, 0, 0).high == 6
