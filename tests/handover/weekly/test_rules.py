"""What changed most in a week: chance alone names a week in twenty at most, doublings are found."""

import math

import numpy as np
import pytest

from tests.handover.weekly.null_weeks import a_week
from tracelog.handover.weekly.rules import (
    FALSE_WEEKS,
    MOST_NAMED,
    Of,
    Series,
    changed_most,
    p_value,
    unsteadiness,
)

WEEKS = 200


@pytest.mark.parametrize("clumping", [0.0, 0.05, 0.15, 0.4])
def test_a_week_in_which_nothing_changed_names_something_in_at_most_one_of_twenty(
    clumping: float,
) -> None:
    rng = np.random.default_rng([20_261_126, round(100 * clumping)])
    named = sum(bool(changed_most(a_week(rng, clumping))) for _each in range(WEEKS))
    # Two standard errors of the share more may be counted.
    error = math.sqrt(FALSE_WEEKS * (1 - FALSE_WEEKS) / WEEKS)
    assert named / WEEKS <= FALSE_WEEKS + 2 * error


@pytest.mark.parametrize(
    ("of", "place", "defect", "ratio", "least"),
    [
        (Of.DEFECT, "1-2", "d0", 2.0, 0.8),
        (Of.STROKES, "1", None, 0.5, 0.95),
        (Of.SPOILAGE, "1", None, 3.0, 0.8),
    ],
)
def test_what_was_planted_is_named_first(
    of: Of, place: str, defect: str | None, ratio: float, least: float
) -> None:
    rng = np.random.default_rng(4711)
    first = [changed_most(a_week(rng, 0.0, (of, place, defect, ratio))) for _each in range(60)]
    hits = [
        one[0]
        for one in first
        if one
        and (one[0].series.of, one[0].series.place) == (of, place)
        and one[0].series.defect == defect
    ]
    assert len(hits) >= least * len(first)
    assert all((one.series.ratio > 1) == (ratio > 1) for one in hits)


def series(count: int, before: tuple[int, ...] = (1,) * 8, of: Of = Of.DEFECT) -> Series:
    return Series(of, "1-1", "split", before, (1000.0,) * len(before), count, 1000.0)


def test_without_clumping_it_is_the_exact_conditional_test() -> None:
    # 9 of 9 in a week that has half of the strokes: two-sided 2 / 2^9.
    assert p_value(series(9, (0,)), 0.0, None) == pytest.approx(2 / 2**9)
    assert p_value(series(0, (9,)), 0.0, None) == pytest.approx(2 / 2**9)
    clumped = p_value(series(9, (0,)), 0.5, None)
    assert clumped is not None
    assert clumped > 2 / 2**9


def test_what_cannot_be_compared_is_left_out() -> None:
    assert p_value(series(0, (0,) * 8), 0.0, None) is None
    nothing = Series(Of.DEFECT, "1-1", "split", (0,), (0.0,), 5, 1000.0)
    assert p_value(nothing, 0.0, None) is None
    assert changed_most([nothing, series(0, (0,) * 8)]) == []
    assert changed_most([]) == []
    # Three weeks do not tell how unsteady a line is.
    assert changed_most([Series(Of.STROKES, "1", None, (9,) * 3, (1.0,) * 3, 900, 1.0)]) == []


def test_steady_counts_do_not_clump_and_unsteady_ones_do() -> None:
    steady = unsteadiness([series(100, (100,) * 8)])
    wild = unsteadiness([series(100, (10, 200) * 4)])
    assert steady["split", False] == 0.0
    assert wild["split", False] > 0.5


def test_the_surest_come_first_at_most_five_and_a_line_is_not_told_again() -> None:
    every = [
        Series(Of.DEFECT, f"1-{n}", f"d{n}", (10,) * 8, (1000.0,) * 8, 60 + 10 * n, 1000.0)
        for n in range(7)
    ]
    every.append(Series(Of.DEFECT, "1", "d6", (40,) * 8, (4000.0,) * 8, 160, 4000.0))
    found = changed_most(every)
    assert len(found) == MOST_NAMED
    assert [one.series.defect for one in found] == ["d6", "d5", "d4", "d3", "d2"]
    assert [one.evidence for one in found] == sorted((one.evidence for one in found), reverse=True)
    assert all(one.adjusted_p <= FALSE_WEEKS for one in found)
