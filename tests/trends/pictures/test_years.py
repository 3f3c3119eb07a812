"""Year against year: leap days, ISO weeks, years to date, and what is called a change."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trends import small_log
from tracelog.plant.queries import directory, the_plant
from tracelog.stats.compare import compare_rates, e_test
from tracelog.trends.pictures.questions import Step, YearQuestion
from tracelog.trends.pictures.years import (
    Change,
    Pair,
    YearsAnswer,
    period_edges,
    same_day_before,
    year_pairs,
    years_of,
)
from tracelog.trends.pictures.years_page import years_figure

REACHED = datetime(2030, 1, 1, tzinfo=UTC)


def answer(
    days: dict[date, tuple[int, int]], reached: date, year: int, step: Step = Step.MONTH
) -> YearsAnswer:
    """Both years from counts and strokes by day."""
    return year_pairs(YearQuestion(year, step, REACHED), days, reached)


def counts(pair: Pair) -> tuple[int, int]:
    """What was found in the year and in the year before."""
    assert pair.now is not None
    assert pair.before is not None
    return pair.now.count, pair.before.count


def steady(first: date, last: date, found: int = 1) -> dict[date, tuple[int, int]]:
    """The same every day: so many found in a million strokes."""
    return {first + timedelta(days=n): (found, 10**6) for n in range((last - first).days + 1)}


@given(st.integers(1991, 2199), st.sampled_from(Step))
def test_periods_of_a_year_follow_each_other_without_gaps(year: int, step: Step) -> None:
    edges = period_edges(year, step)
    assert edges == sorted(set(edges))
    assert edges[-1] == period_edges(year + 1, step)[0]
    if step is Step.WEEK:
        # ISO 8601: the week that holds 4 January is the first.
        assert edges[0] <= date(year, 1, 4) < edges[1]
        assert {(b - a).days for a, b in pairwise(edges)} == {7}
        assert len(edges) - 1 == date(year, 12, 28).isocalendar().week
    else:
        assert [edge.month for edge in edges] == [*range(1, 13), 1]


@given(st.dates(date(1992, 1, 1), date(2198, 12, 31)), st.sampled_from(Step))
def test_the_same_day_of_the_year_before_never_runs_backwards(day: date, step: Step) -> None:
    assert same_day_before(day, step) <= same_day_before(day + timedelta(days=1), step)
    assert 354 <= (day - same_day_before(day, step)).days <= 371


def test_a_leap_day_counts_in_its_february_and_in_the_year_to_date() -> None:
    days = steady(date(2023, 1, 1), date(2024, 2, 29))
    told = answer(days, reached=date(2024, 3, 1), year=2024)
    february = told.pairs[1]
    assert counts(february) == (29, 28)
    assert counts(told.to_date) == (60, 59)
    assert told.until_before == date(2023, 3, 1)
    on_the_day = answer(days, reached=date(2024, 2, 29), year=2024)
    assert counts(on_the_day.to_date) == (59, 59)


def test_a_week_53_has_nothing_beside_it_and_it_is_said() -> None:
    days = steady(date(2025, 1, 1), date(2027, 1, 10))
    told = answer(days, reached=date(2027, 1, 11), year=2026, step=Step.WEEK)
    assert len(told.pairs) == 53
    assert told.pairs[52].before is None
    assert told.pairs[52].change is Change.UNKNOWN
    assert "only 2026 has a week 53" in told.notes
    # All of both years, as both are over.
    assert counts(told.to_date) == (371, 362)
    shorter = answer(days, reached=date(2027, 1, 11), year=2027, step=Step.WEEK)
    assert len(shorter.pairs) == 52
    assert "only 2026 has a week 53" in shorter.notes


def test_a_month_that_is_not_over_is_said_to_be_so_far_and_a_later_one_is_not_known() -> None:
    days = steady(date(2025, 1, 1), date(2026, 6, 10))
    told = answer(days, reached=date(2026, 6, 11), year=2026)
    june, july = told.pairs[5], told.pairs[6]
    assert june.so_far
    assert counts(june) == (10, 30)
    assert july.now is None
    assert july.before is not None
    assert july.before.count == 31
    assert counts(told.to_date) == (161, 161)


def test_a_year_without_data_says_so() -> None:
    told = answer(steady(date(2026, 1, 1), date(2026, 3, 1)), date(2026, 3, 2), 2026)
    assert told.notes == ("2025 has no data: no stroke and no report",)
    assert all(pair.change is Change.UNKNOWN for pair in told.pairs)
    nothing = answer({}, date(2026, 3, 2), 2026)
    assert len(nothing.notes) == 2
    assert years_figure(nothing) is None


def test_a_change_is_named_where_the_tests_name_it() -> None:
    before = steady(date(2025, 1, 1), date(2025, 12, 31), found=4)
    now = steady(date(2026, 1, 1), date(2026, 2, 28), found=4)
    march = steady(date(2026, 3, 1), date(2026, 3, 31), found=12)
    april = steady(date(2026, 4, 1), date(2026, 4, 30), found=1)
    told = answer(before | now | march | april, date(2026, 5, 1), 2026)
    changes = [pair.change for pair in told.pairs[:5]]
    assert changes == [
        Change.UNCLEAR,
        Change.UNCLEAR,
        Change.ROSE,
        Change.FELL,
        Change.UNKNOWN,
    ]
    exact = compare_rates(12 * 31, 31e6, 4 * 31, 31e6)
    pair = told.pairs[2]
    assert (pair.ratio, pair.low, pair.high) == (exact.ratio, exact.low, exact.high)
    assert pair.p_value == e_test(12 * 31, 31e6, 4 * 31, 31e6).p_value
    assert pair.probability_rose == pytest.approx(1.0, abs=1e-9)
    figure = years_figure(told)
    assert figure is not None
    assert [mark.change for mark in figure.marks if mark.change] == ["rose", "fell"]
    assert len(figure.marks) == 12 + 4


def test_both_years_are_read_from_the_log_in_a_fixed_number_of_statements(
    session: Session, engine: Engine
) -> None:
    small_log.write_log(session, [small_log.entry(n, "1-1", "split") for n in (0, 7, 8, 9)])
    plant, places = the_plant(session), directory(session)
    asked = YearQuestion(2026, Step.MONTH, small_log.day(small_log.DAYS))
    told = years_of(session, asked, plant, places)
    march, april = told.pairs[2], told.pairs[3]
    # 23 to 31 March on three machines of line 1: four million strokes a day.
    assert march.now is not None
    assert april.now is not None
    assert (march.now.count, march.now.strokes) == (3, 9 * 4 * small_log.MILLION)
    assert (april.now.count, april.now.strokes) == (1, 4 * small_log.MILLION)
    assert told.notes == ("2025 has no data: no stroke and no report",)
    statements, numbers = Statements(engine), []
    for year in (2025, 2026):
        with statements.counted() as sent:
            years_of(session, replace(asked, year=year), plant, places)
        numbers.append(len(sent))
    statements.close()
    assert numbers == [11, 11]
