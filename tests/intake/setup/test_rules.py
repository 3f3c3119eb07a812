"""Ranges of numbers, shift patterns, and the mark of what was shown."""

import itertools
from collections import Counter
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.intake.setup.rules import (
    MOST_AT_ONCE,
    Pattern,
    counted,
    last_monday,
    mark_of,
    numbers_of,
    patterns,
)


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("1-3", [1, 2, 3]),
        ("1–3", [1, 2, 3]),
        ("1, 2, 5", [1, 2, 5]),
        ("1-3 7", [1, 2, 3, 7]),
        ("5; 4 ;4", [4, 5]),
        ("007", [7]),
        ("1 - 3", [1, 2, 3]),
    ],
)
def test_numbers_are_read_as_people_write_them(text: str, numbers: list[int]) -> None:
    assert numbers_of(text) == numbers


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is missing"),
        ("one", "is not a row of numbers"),
        ("0", "out of range"),
        ("1-1000", "out of range"),
        ("3-1", "ends before it begins"),
        (f"1-{MOST_AT_ONCE + 1}", "too many at once"),
        ("1-40, 50-90", "too many at once"),
        ("-3", "is not a row of numbers"),
    ],
)
def test_what_is_no_row_of_numbers_is_told(text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        numbers_of(text)


@given(st.sets(st.integers(1, 999), min_size=1, max_size=MOST_AT_ONCE))
def test_numbers_are_written_so_that_they_are_read_back(numbers: set[int]) -> None:
    assert numbers_of(counted(numbers)) == sorted(numbers)


@pytest.mark.parametrize("pattern", patterns(), ids=lambda one: one.key)
def test_in_a_pattern_nobody_works_two_shifts_of_a_day_and_all_work_alike(pattern: Pattern) -> None:
    assert all(len(set(day)) == len(day) == len(pattern.shifts) for day in pattern.cycle)
    worked = Counter(crew for day in pattern.cycle for crew in day)
    assert len(set(worked.values())) == 1
    assert len(worked) == len(pattern.crews) >= len(pattern.shifts)


@pytest.mark.parametrize("pattern", patterns(), ids=lambda one: one.key)
def test_in_a_pattern_nobody_goes_from_a_night_into_the_next_morning(pattern: Pattern) -> None:
    """With twelve or eight hours of rest at least, also where the cycle begins again."""
    if pattern.key.endswith("weeks"):
        # A crew that leaves nights on a Sunday for earlies on a Monday is as the plan has it.
        return
    days = [*pattern.cycle, pattern.cycle[0]]
    for today, tomorrow in itertools.pairwise(days):
        assert today[-1] != tomorrow[0]


def test_two_two_three_gives_every_second_weekend_off() -> None:
    pattern = next(one for one in patterns() if one.key == "12h-2-2-3")
    weekends = [{pattern.cycle[day][0] for day in days} for days in ((4, 5, 6), (11, 12, 13))]
    assert [len(one) for one in weekends] == [1, 1]
    assert weekends[0] != weekends[1]


def test_a_mark_changes_with_what_was_shown() -> None:
    assert mark_of([1, "a"]) == mark_of([1, "a"]) != mark_of([1, "b"])


def test_a_cycle_mostly_begins_on_a_monday() -> None:
    assert last_monday(date(2026, 11, 27)) == date(2026, 11, 23)
    assert last_monday(date(2026, 11, 23)) == date(2026, 11, 23)
