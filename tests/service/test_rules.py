"""What a service resets, and when the next one falls due."""

import random
from datetime import UTC, date, datetime, timedelta

import pytest

from tracelog.service.rules import (
    DailyUse,
    Done,
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


def test_a_steady_machine_is_due_when_its_interval_is_used_up() -> None:
    due = when_due(MINOR, 20_000_000, AS_OF, DailyUse(500_000, 0, 28), AS_OF)
    assert (due.by, due.due_early, due.due, due.due_late) == ("strokes", *[date(2026, 5, 11)] * 3)


def test_an_overdue_service_was_due_in_the_past() -> None:
    due = when_due(MINOR, 30_000_000, AS_OF, DailyUse(500_000, 100_000, 28), AS_OF)
    assert due.due == date(2026, 4, 21)


def test_the_calendar_limit_comes_first_on_a_slow_machine() -> None:
    # 350 strokes a minute at 92 %: 215.7 days to 100 million (common
    # practice, no source), so the limit of 182 days is met first.
    daily = 350 * 60 * 24 * 0.92
    assert 100_000_000 / daily == pytest.approx(215.7, abs=0.05)
    due = when_due(OVERHAUL, 0, AS_OF, DailyUse(daily, 0, 28), AS_OF)
    assert (due.by, due.due) == ("days", (AS_OF + timedelta(days=182)).date())


def test_an_idle_machine_without_a_calendar_limit_is_never_due() -> None:
    due = when_due(MINOR, 1, AS_OF, DailyUse(0, 0, 28), AS_OF)
    assert (due.by, due.due) == ("never", None)


def test_the_interval_holds_the_due_date_four_times_in_five() -> None:
    """Coverage of the 80 % interval on independent normal days, by simulation."""
    generator = random.Random(7)
    inside, trials = 0, 600
    for _trial in range(trials):
        use = daily_use([round(generator.gauss(500_000, 120_000)) for _day in range(28)])
        due = when_due(MINOR, 5_000_000, AS_OF, use, AS_OF)
        total, days = 5_000_000.0, 0.0
        while total < 25_000_000:
            step = generator.gauss(500_000, 120_000)
            share = min(1.0, (25_000_000 - total) / step)
            total, days = total + step, days + share
        actual = (AS_OF + timedelta(days=days)).date()
        assert due.due_early is not None
        assert due.due_late is not None
        inside += due.due_early <= actual <= due.due_late
    # Dates are whole days, which widens the interval by up to a day on a spread of about two.
    assert 0.78 <= inside / trials <= 0.92


def test_daily_use_counts_idle_days() -> None:
    use = daily_use([0, 600_000, 600_000, 0])
    assert (use.mean, use.days) == (300_000, 4)
    assert use.deviation == pytest.approx(346_410.16, abs=0.01)
    assert daily_use([]) == DailyUse(0, 0, 0)


def test_a_share_needs_an_interval() -> None:
    assert share_used(50, 100) == 0.5
    assert share_used(50, None) is None
