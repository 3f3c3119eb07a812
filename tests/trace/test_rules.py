"""When a can was made, and shares of candidates: decisions without a database."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.trace.rules import (
    USUAL_TRANSIT_MINUTES,
    Made,
    hull,
    made_before_pallet,
    narrowed,
    reaches_pallets,
    shares,
    transit,
)

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
MINUTES = st.integers(-10_000, 10_000).map(lambda n: NOON + timedelta(minutes=n))
STRETCHES = st.tuples(MINUTES, MINUTES).map(lambda pair: Made(min(pair), max(pair), "known"))


def minutes(number: float) -> timedelta:
    return timedelta(minutes=number)


def test_a_pallet_was_made_before_it_was_filled() -> None:
    made = made_before_pallet(NOON, NOON + minutes(10), (20, 95))
    assert (made.start, made.end) == (NOON - minutes(95), NOON - minutes(10))


def test_a_pallet_whose_end_is_not_known_is_taken_at_its_start() -> None:
    made = made_before_pallet(NOON, None, (20, 95))
    assert (made.start, made.end) == (NOON - minutes(95), NOON - minutes(20))


def test_without_a_transit_of_its_own_a_plant_has_the_usual_one() -> None:
    assert transit(None) == tuple(minutes(number) for number in USUAL_TRANSIT_MINUTES)


@given(STRETCHES, st.tuples(st.integers(0, 300), st.integers(0, 300)).map(sorted))
def test_who_made_a_pallet_can_reach_it(filled: Made, way: list[int]) -> None:
    between = (way[0], way[1])
    made = made_before_pallet(filled.start, filled.end, between)
    first, last = reaches_pallets(made, between)
    assert made.start <= made.end
    assert first <= filled.start
    assert last >= filled.end


@given(STRETCHES, STRETCHES)
def test_two_stretches_narrow_each_other_or_contradict(one: Made, other: Made) -> None:
    both = narrowed(one, other)
    apart = one.end < other.start or other.end < one.start
    assert (both is None) == apart
    if both is not None:
        assert max(one.start, other.start) == both.start <= both.end == min(one.end, other.end)


@given(st.lists(STRETCHES, min_size=1))
def test_a_hull_holds_every_stretch(stretches: list[Made]) -> None:
    around = hull(stretches)
    assert all(around.start <= one.start and one.end <= around.end for one in stretches)


@given(st.lists(st.integers(0, 10**12), min_size=1))
def test_shares_add_up_to_one_and_follow_the_strokes(strokes: list[int]) -> None:
    found = shares(strokes)
    assert sum(found) == pytest.approx(1)
    pairs = sorted(zip(strokes, found, strict=True))
    assert [share for _, share in pairs] == sorted(found)


def test_nobody_has_no_shares() -> None:
    assert shares([]) == []
