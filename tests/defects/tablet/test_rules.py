"""When an entry was logged, by the server's clock."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.defects.tablet.rules import AT_ONCE, corrected

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def seconds(number: float) -> timedelta:
    return timedelta(seconds=number)


@pytest.mark.parametrize(
    ("on_tablet", "error_s", "logged"),
    [
        (NOON - seconds(60), 0.0, NOON - seconds(60)),
        (NOON, 180.0, NOON - seconds(180)),
        (NOON - seconds(3600), -600.0, NOON - seconds(3000)),
        (NOON - seconds(60), None, NOON - seconds(60)),
    ],
)
def test_a_clock_that_is_ahead_is_set_back_and_one_behind_is_set_forward(
    on_tablet: datetime, error_s: float | None, logged: datetime
) -> None:
    assert corrected(on_tablet, error_s, NOON) == logged


@pytest.mark.parametrize("late", [0.0, 0.4, 2.9])
def test_what_arrives_at_once_was_logged_at_its_arrival(late: float) -> None:
    assert corrected(NOON - seconds(late), 0.0, NOON) == NOON


def test_nothing_is_logged_after_it_was_received() -> None:
    assert corrected(NOON + seconds(7200), 0.0, NOON) == NOON
    assert corrected(datetime.min.replace(tzinfo=UTC), 4e9, NOON) == NOON


@given(
    age=st.floats(min_value=0, max_value=4e7),
    error_s=st.floats(min_value=-1e8, max_value=1e8),
)
def test_the_instant_is_found_again_whatever_the_clock_said(age: float, error_s: float) -> None:
    logged = NOON - seconds(age)
    found = corrected(logged + seconds(error_s), error_s, NOON)
    assert found <= NOON
    assert abs(found - logged) <= AT_ONCE + seconds(0.001)
