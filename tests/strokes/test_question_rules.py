"""What is odd about a counter, what would explain it, and what to expect of it."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.strokes.facts import CounterEvent
from tracelog.strokes.fields import bare_figure, field_instant
from tracelog.strokes.question_rules import (
    SILENT_AT_LEAST,
    SILENT_WHEN_UNKNOWN,
    Figures,
    QuestionKind,
    expected_strokes,
    explains,
    kind_of,
    likely_event,
    longest_silence,
    shown_strokes,
    usual_distance,
)
from tracelog.strokes.rules import CounterLimits

NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)
LIMITS = CounterLimits(counter_max=999_999, rated_spm=300)


def stretch(before: int, after: int, minutes: float = 60) -> Figures:
    return Figures(NINE, NINE + timedelta(minutes=minutes), before, after)


@pytest.mark.parametrize(
    ("figures", "kind", "shown"),
    [
        (stretch(500_000, 100_000), QuestionKind.BACKWARD_JUMP, None),
        (stretch(980_000, 20_000), QuestionKind.BACKWARD_JUMP, 40_000),
        (stretch(100_000, 500_000), QuestionKind.IMPROBABLE_RATE, 400_000),
        (stretch(100_000, 1_000_001), QuestionKind.ABOVE_LAST_FIGURE, 900_001),
        (stretch(7, 9, 0), QuestionKind.UNLIKE_EVENT, 0),
    ],
)
def test_each_kind_of_question_is_told_apart(
    figures: Figures, kind: QuestionKind, shown: int | None
) -> None:
    assert kind_of(figures, LIMITS) is kind
    assert shown_strokes(figures, LIMITS) == shown


def test_a_fall_of_a_counter_without_a_known_end_shows_nothing() -> None:
    assert shown_strokes(stretch(980_000, 20_000), CounterLimits()) is None


def test_the_usual_distance_is_the_median_of_the_last_twenty() -> None:
    hourly = [NINE + n * HOUR for n in range(10)]
    assert usual_distance(hourly) == HOUR
    # A day without a reading changes no habit.
    assert usual_distance([*hourly, hourly[-1] + 24 * HOUR]) == HOUR
    daily = [NINE + n * HOUR for n in range(100)] + [NINE + (99 + 24 * n) * HOUR for n in range(25)]
    assert usual_distance(list(reversed(daily))) == 24 * HOUR
    assert usual_distance(hourly[:3]) is None
    assert usual_distance([]) is None


@pytest.mark.parametrize(
    ("usual", "longest"),
    [
        (None, SILENT_WHEN_UNKNOWN),
        (HOUR, SILENT_AT_LEAST),
        (timedelta(minutes=1), SILENT_AT_LEAST),
        (8 * HOUR, 24 * HOUR),
        (7 * 24 * HOUR, 21 * 24 * HOUR),
    ],
)
def test_a_counter_may_be_silent_for_three_usual_distances(
    usual: timedelta | None, longest: timedelta
) -> None:
    assert longest_silence(usual) == longest


def test_what_is_expected_comes_from_what_the_machine_made_in_as_much_time() -> None:
    hours = [18_000] * 100 + [9_000] * 20
    found = expected_strokes(hours, 24 * 16_000, 24 * HOUR, LIMITS)
    assert found.usual == 384_000
    # Least and most of any day, a quarter of the usual further apart.
    assert found.low == 20 * 9_000 + 4 * 18_000 - 96_000
    assert found.high == 24 * 18_000 + 96_000
    assert found.holds(found.low)
    assert not found.holds(found.high + 1)
    assert not found.holds(None)


def test_a_machine_may_stand_for_a_shift() -> None:
    assert expected_strokes([18_000] * 100, 432_000, 8 * HOUR, LIMITS).low == 0
    assert expected_strokes([18_000] * 100, 432_000, 8.1 * HOUR, LIMITS).low > 0


def test_of_a_machine_that_is_hardly_known_its_rated_speed_says_what_to_expect() -> None:
    found = expected_strokes([], None, HOUR, LIMITS)
    assert (found.low, found.high) == (0, 300 * 75 + 600)


@given(
    st.lists(st.integers(0, 20_000), max_size=200),
    st.one_of(st.none(), st.floats(0, 500_000)),
    st.integers(0, 60 * 24 * 60),
)
def test_an_expectation_is_in_order_and_possible(
    hours: list[int], per_day: float | None, minutes: int
) -> None:
    found = expected_strokes(hours, per_day, timedelta(minutes=minutes), LIMITS)
    most = 300 * (1.25 * minutes + 2)
    assert 0 <= found.low <= found.usual + 1
    assert found.usual <= found.high + 1
    assert found.high <= most


def test_a_reset_is_the_likely_event_as_late_as_it_can_have_been() -> None:
    event = likely_event(stretch(500_000, 9_000), LIMITS, 400_000)
    assert event is not None
    assert (event.event, event.at, event.strokes_after) == (
        CounterEvent.RESET,
        NINE + timedelta(minutes=30),
        0,
    )


def test_a_counter_that_shows_too_much_for_a_reset_was_preset() -> None:
    event = likely_event(stretch(500_000, 100_000), LIMITS, 24 * 12_000)
    assert event is not None
    assert (event.event, event.at) == (CounterEvent.PRESET, NINE + timedelta(seconds=1))
    assert event.strokes_after == 100_000 - 11_997


def test_where_there_is_no_time_nothing_can_have_been_done() -> None:
    assert likely_event(stretch(5, 3, 0), LIMITS, None) is None


@given(
    st.integers(0, 999_999),
    st.integers(0, 999_999),
    st.integers(2, 3_000),
    st.one_of(st.none(), st.floats(0, 450_000)),
    st.sampled_from([LIMITS, CounterLimits()]),
)
def test_the_likely_event_always_explains(
    before: int, after: int, minutes: int, per_day: float | None, limits: CounterLimits
) -> None:
    figures = stretch(before, after, minutes)
    event = likely_event(figures, limits, per_day)
    assert event is not None
    assert figures.from_at < event.at <= figures.to_at
    assert explains(figures, event.at, event.strokes_after, limits)


def test_an_event_that_leaves_too_much_explains_nothing() -> None:
    assert not explains(stretch(500_000, 100_000), NINE + HOUR / 2, 0, LIMITS)
    assert not explains(stretch(500_000, 100_000), NINE + HOUR, 99_999, LIMITS)
    assert explains(stretch(500_000, 100_000), NINE + HOUR, 100_000, LIMITS)


@pytest.mark.parametrize(
    ("typed", "figure"),
    [
        ("12345678", "12345678"),
        ("12,345,678", "12345678"),
        ("12 345 678", "12345678"),
        ("12'345'678", "12345678"),
        ("345.678", "345678"),
        ("12,345.678", "12,345.678"),
        ("12.5", "12.5"),
        ("1,23,456", "1,23,456"),
        ("about 5", "about 5"),
        ("", ""),
    ],
)
def test_thousands_may_be_set_apart_as_on_a_display(typed: str, figure: str) -> None:
    assert bare_figure(typed) == figure


def test_an_instant_in_the_hour_that_comes_twice_is_written_with_its_offset() -> None:
    from zoneinfo import ZoneInfo

    madrid = ZoneInfo("Europe/Madrid")
    usual = field_instant(NINE, madrid)
    assert (usual.value, usual.type) == ("2026-03-02T10:00:00", "datetime-local")
    assert field_instant(NINE, madrid, seconds=False).value == "2026-03-02T10:00"
    twice = field_instant(datetime(2026, 10, 25, 0, 30, tzinfo=UTC), madrid)
    assert (twice.value, twice.type) == ("2026-10-25T02:30:00+02:00", "text")
