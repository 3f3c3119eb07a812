"""What a service resets, and when the next one falls due."""

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.service.rules import (
    DailyUse,
    Done,
    Expected,
    Level,
    contains,
    daily_use,
    last_done,
    share_used,
    when_due,
)

MINOR = Level("bodymaker", "minor", 25_000_000, None)
OVERHAUL = Level("bodymaker", "overhaul", 100_000_000, 182)
WASH = Level("washer", "clean", None, 7)
AS_OF = datetime(2026, 5, 1, 6, tzinfo=UTC)


def test_a_higher_level_resets_the_lower_and_not_the_reverse() -> None:
    assert contains(OVERHAUL, MINOR)
    assert not contains(MINOR, OVERHAUL)
    assert contains(MINOR, MINOR)


def test_levels_of_another_station_reset_nothing() -> None:
    assert not contains(WASH, MINOR)


def test_the_latest_of_the_level_and_those_above_counts() -> None:
    early, late = AS_OF - timedelta(days=30), AS_OF - timedelta(days=3)
    done = [Done("overhaul", late), Done("minor", early)]
    assert last_done(MINOR, [MINOR, OVERHAUL], done) == late
    assert last_done(OVERHAUL, [MINOR, OVERHAUL], [Done("minor", late)]) is None


def expected(early: int, middle: int, late: int) -> Expected:
    return Expected(early, middle, late, (float(early), float(middle), float(late)))


def test_a_level_is_due_when_its_strokes_are_expected() -> None:
    due = when_due(MINOR, expected(8, 10, 13), AS_OF, AS_OF)
    assert (due.by, due.due_early, due.due, due.due_late) == (
        "strokes",
        date(2026, 5, 9),
        date(2026, 5, 11),
        date(2026, 5, 14),
    )


def test_an_overdue_service_was_due_in_the_past() -> None:
    assert when_due(MINOR, expected(-10, -10, -10), AS_OF, AS_OF).due == date(2026, 4, 21)


def test_the_calendar_limit_comes_first_on_a_slow_machine() -> None:
    due = when_due(OVERHAUL, expected(180, 216, 250), AS_OF, AS_OF)
    limit = (AS_OF + timedelta(days=182)).date()
    assert (due.by, due.due, due.due_late) == ("days", limit, limit)
    assert due.due_early == (AS_OF + timedelta(days=180)).date()


def test_a_machine_that_never_gets_there_is_due_by_days_or_never() -> None:
    assert when_due(MINOR, None, AS_OF, AS_OF).by == "never"
    assert when_due(OVERHAUL, None, AS_OF, AS_OF).by == "days"


def test_an_interval_of_days_beyond_the_calendar_ends_with_it() -> None:
    endless = Level("bodymaker", "endless", None, 10**15)
    assert when_due(endless, None, AS_OF, AS_OF).due == date.max


@given(
    steps=st.tuples(st.integers(-500, 3000), st.integers(0, 900), st.integers(0, 900)),
    days=st.none() | st.integers(1, 4000),
)
def test_the_ends_of_the_interval_stand_in_order(steps: tuple[int, int, int], days: int) -> None:
    early, more, most = steps
    level = Level("bodymaker", "any", 1000, days)
    due = when_due(level, expected(early, early + more, early + more + most), AS_OF, AS_OF)
    assert due.due_early is not None
    assert due.due is not None
    assert due.due_late is not None
    assert due.due_early <= due.due <= due.due_late


def test_daily_use_counts_idle_days() -> None:
    use = daily_use([0, 600_000, 600_000, 0])
    assert (use.mean, use.days) == (300_000, 4)
    assert use.deviation == pytest.approx(346_410.16, abs=0.01)
    assert daily_use([]) == DailyUse(0, 0, 0)


def test_a_share_needs_an_interval() -> None:
    assert share_used(50, 100) == 0.5
    assert share_used(50, None) is None
