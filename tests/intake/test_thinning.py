"""Few readings tell the same strokes as many, and hold their place until the database has them."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.strokes.counters import reading
from tracelog.intake.arrivals import CollectedReading
from tracelog.intake.held_readings import MOST_AT_ONCE, MOST_REJECTS, HeldReadings
from tracelog.intake.reject_rules import Arrived, Reject
from tracelog.intake.thinning import MOST_JUMPS, Thinner, halved

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
EVERY = timedelta(seconds=60)


def collected(seconds: float, strokes: int, number: int = 7) -> CollectedReading:
    at = AT + timedelta(seconds=seconds)
    return CollectedReading(reading(number, at, strokes), Arrived.of("opcua", "n", b"", at))


def tell(readings: Sequence[CollectedReading]) -> list[tuple[float, int]]:
    return [((one.fact.read_at - AT).total_seconds(), one.fact.strokes) for one in readings]


def reject(number: int = 0) -> Reject:
    return Reject(Arrived.of("opcua", "n", b"%d" % number, AT), "why")


def test_the_first_and_the_last_of_an_interval_stay() -> None:
    thinner = Thinner(EVERY)
    assert tell(thinner.offer(collected(0, 100))) == [(0, 100)]
    assert not thinner.end_interval()
    for second in range(1, 60):
        assert not thinner.offer(collected(second, 100 + 5 * second))
    assert tell(thinner.end_interval()) == [(59, 395)]
    assert not thinner.end_interval()


def test_both_sides_of_a_fall_stay_at_once() -> None:
    thinner = Thinner(EVERY)
    thinner.offer(collected(0, 100))
    thinner.offer(collected(1, 105))
    assert tell(thinner.offer(collected(2, 0))) == [(1, 105), (2, 0)]
    assert not thinner.offer(collected(3, 5))
    assert tell(thinner.end_interval()) == [(3, 5)]


def test_both_sides_of_a_gap_stay_at_once() -> None:
    thinner = Thinner(EVERY)
    thinner.offer(collected(0, 100))
    thinner.offer(collected(1, 105))
    assert not thinner.offer(collected(121, 106))
    assert tell(thinner.offer(collected(242, 107))) == [(121, 106), (242, 107)]


def test_a_counter_that_jumps_up_and_down_does_not_flood_the_database() -> None:
    thinner = Thinner(EVERY)
    kept = [
        one for second in range(1000) for one in thinner.offer(collected(second / 50, second % 2))
    ]
    assert len(kept) <= 2 * MOST_JUMPS
    assert len(thinner.end_interval()) == 1


figures = st.lists(
    st.tuples(st.floats(0.01, 30), st.sampled_from([0, 1, 1, 7, -9])), min_size=1, max_size=200
)


def made_of(moves: Sequence[tuple[float, int]]) -> list[CollectedReading]:
    seconds, strokes, made = 0.0, 100, []
    for step, more in moves:
        seconds, strokes = seconds + step, max(0, strokes + more)
        made.append(collected(round(seconds, 6), strokes))
    return made


def rises(readings: Sequence[CollectedReading]) -> int:
    return sum(max(0, later.fact.strokes - one.fact.strokes) for one, later in pairwise(readings))


def falls(readings: Sequence[CollectedReading]) -> list[tuple[int, int]]:
    return [
        (one.fact.strokes, later.fact.strokes)
        for one, later in pairwise(readings)
        if later.fact.strokes < one.fact.strokes
    ]


@given(figures, st.integers(1, 9))
def test_what_stays_tells_all_strokes_and_all_falls(
    moves: list[tuple[float, int]], interval: int
) -> None:
    thinner = Thinner(EVERY)
    whole, kept = made_of(moves), []
    for place, one in enumerate(whole):
        kept += thinner.offer(one)
        if place % interval == 0:
            kept += thinner.end_interval()
    kept += thinner.end_interval()
    assert rises(kept) == rises(whole)
    assert falls(kept) == falls(whole)
    instants = [one.fact.read_at for one in kept]
    assert instants == sorted(set(instants))
    assert kept[-1] is whole[-1]


@given(figures)
def test_half_of_the_readings_tell_all_strokes_and_all_falls(
    moves: list[tuple[float, int]],
) -> None:
    whole = made_of(moves)
    kept = halved(whole)
    assert rises(kept) == rises(whole)
    assert falls(kept) == falls(whole)
    assert (kept[0], kept[-1]) == (whole[0], whole[-1])
    assert len(kept) <= (len(whole) + 1) // 2 + 1 + 2 * len(falls(whole))


@given(st.integers(1, 800), st.integers(10, 60))
def test_what_is_held_stays_small_and_tells_all_strokes(count: int, most: int) -> None:
    held = HeldReadings(most)
    whole = [collected(second, 5 * second) for second in range(count)]
    for one in whole:
        held.add([one])
    kept = [one for one in held.some() if isinstance(one, CollectedReading)]
    assert len(held) == len(kept) <= most
    assert rises(kept) == rises(whole)
    assert kept[-1] is whole[-1]


def test_a_counter_that_only_jumps_is_held_in_little_memory_too() -> None:
    held = HeldReadings(100)
    held.add(collected(second, 1000 * (second % 2)) for second in range(500))
    assert len(held) == 100


def test_what_the_database_has_is_forgotten_and_nothing_else() -> None:
    held = HeldReadings()
    held.add([reject(), collected(0, 1), collected(1, 2), collected(0, 1, number=8)])
    batch = held.some()
    assert len(batch) == len(held) == 4
    held.add([collected(2, 3)])
    held.forget(batch)
    assert tell(held.some()) == [(2, 3)]  # type: ignore[arg-type]


def test_a_batch_and_the_rejects_have_an_end() -> None:
    held = HeldReadings(10**6)
    held.add(reject(number) for number in range(MOST_REJECTS + 5))
    assert len(held) == MOST_REJECTS
    held.add(collected(second, second) for second in range(MOST_AT_ONCE))
    assert len(held.some()) == MOST_AT_ONCE


@pytest.mark.parametrize("count", [1, 2])
def test_few_readings_are_not_thinned(count: int) -> None:
    readings = [collected(second, second) for second in range(count)]
    assert halved(readings) == readings
