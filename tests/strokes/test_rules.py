"""What a counter's figures mean: strokes, a roll-over, nothing known, or an open question."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.strokes.counters import timeline
from tracelog.strokes.hours import microseconds
from tracelog.strokes.rules import CounterLimits, Settled, counted_until, settle

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
KNOWN = CounterLimits(counter_max=99_999, rated_spm=300)


def at(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def settled(
    readings: list[tuple[float, int]],
    events: list[tuple[float, int]] | None = None,
    limits: CounterLimits = KNOWN,
    *,
    from_start: bool = True,
) -> tuple[list[tuple[float, float, int]], list[tuple[float, float, int, int]]]:
    """Accepted (from, to, strokes) and questions (from, to, figures), in minutes."""
    found: Settled = settle(
        timeline(
            [(at(minutes), strokes) for minutes, strokes in readings],
            [(at(minutes), strokes) for minutes, strokes in events or []],
        ),
        limits,
        from_start=from_start,
    )

    def minutes(values: np.ndarray) -> list[float]:
        return [(value - microseconds(START)) / 60e6 for value in values.tolist()]

    counted, asked = found.counted, found.questions
    return (
        list(
            zip(
                minutes(counted.from_at), minutes(counted.to_at), counted.made.tolist(), strict=True
            )
        ),
        list(
            zip(
                minutes(asked.from_at),
                minutes(asked.to_at),
                asked.from_strokes.tolist(),
                asked.to_strokes.tolist(),
                strict=True,
            )
        ),
    )


def test_a_counter_that_rose_made_the_difference() -> None:
    assert settled([(0, 500), (60, 18_500), (120, 18_500)]) == (
        [(0, 60, 18_000), (60, 120, 0)],
        [],
    )


def test_one_reading_alone_says_nothing() -> None:
    assert settled([(0, 500)]) == ([], [])
    assert settled([]) == ([], [])


def test_a_counter_that_passed_its_last_figure_has_rolled_over() -> None:
    # 99,999 - 90,000 strokes to the last figure, one more to 0, and 5,000 after.
    assert settled([(0, 90_000), (60, 5_000)]) == ([(0, 60, 15_000)], [])


def test_a_roll_over_is_believed_up_to_a_quarter_above_the_rated_speed_and_two_minutes() -> None:
    most = int(300 * 60 * 1.25 + 2 * 300)
    assert settled([(0, 99_000), (60, 99_000 + most - 100_000)]) == ([(0, 60, most)], [])
    assert settled([(0, 99_000), (60, 99_000 + most + 1 - 100_000)]) == (
        [],
        [(0, 60, 99_000, 99_000 + most + 1 - 100_000)],
    )


def test_without_a_rated_speed_a_roll_over_is_believed_at_500_a_minute() -> None:
    limits = CounterLimits(counter_max=99_999)
    assert settled([(0, 99_999), (10, 7_249)], limits=limits) == ([(0, 10, 7_250)], [])
    assert settled([(0, 99_999), (10, 7_250)], limits=limits)[0] == []


def test_a_fall_is_a_question_while_the_last_figure_is_not_known() -> None:
    assert settled([(0, 99_000), (60, 5_000), (120, 6_000)], limits=CounterLimits()) == (
        [(60, 120, 1_000)],
        [(0, 60, 99_000, 5_000)],
    )


def test_a_slip_back_of_a_few_strokes_is_a_question_and_no_roll_over() -> None:
    assert settled([(0, 50_000), (60, 49_990)]) == ([], [(0, 60, 50_000, 49_990)])


def test_figures_above_the_last_one_cannot_be_explained() -> None:
    assert settled([(0, 99_000), (60, 100_500), (120, 3_000)]) == (
        [],
        [(0, 60, 99_000, 100_500), (60, 120, 100_500, 3_000)],
    )


@pytest.mark.parametrize(("rated", "per_minute"), [(300.0, 300), (None, 500)])
def test_a_rise_is_believed_unless_grossly_impossible(rated: float | None, per_minute: int) -> None:
    limits = CounterLimits(rated_spm=rated)
    most = 3 * per_minute * 60 + 5 * per_minute
    assert settled([(0, 7), (60, 7 + most)], limits=limits) == ([(0, 60, most)], [])
    assert settled([(0, 7), (60, 8 + most)], limits=limits) == ([], [(0, 60, 7, 8 + most)])


def test_strokes_before_an_event_are_not_known_and_those_after_are_counted() -> None:
    assert settled([(0, 50_000), (60, 9_000)], [(20, 0)]) == ([(20, 60, 9_000)], [])


def test_strokes_between_two_events_are_not_known() -> None:
    assert settled([(0, 50_000), (60, 33_000)], [(20, 0), (30, 30_000)]) == (
        [(30, 60, 3_000)],
        [],
    )


def test_a_counter_can_roll_over_after_an_event() -> None:
    assert settled([(0, 10), (60, 4_000)], [(20, 95_000)]) == ([(20, 60, 9_000)], [])


def test_a_fall_after_an_event_is_a_question_from_the_event_on() -> None:
    assert settled([(0, 10), (60, 4_000)], [(20, 50_000)]) == ([], [(20, 60, 50_000, 4_000)])


def test_a_reading_at_the_instant_of_an_event_was_taken_after_it() -> None:
    assert settled([(0, 50_000), (30, 0), (60, 9_000)], [(30, 0)]) == ([(30, 60, 9_000)], [])


def test_a_reading_at_the_instant_of_an_event_with_another_figure_is_a_question() -> None:
    # The stretch that follows is counted from the reading on.
    assert settled([(0, 50_000), (30, 12), (60, 9_012)], [(30, 0)]) == (
        [(30, 60, 9_000)],
        [(30, 30, 0, 12)],
    )


def test_an_event_right_after_a_reading_cuts_the_stretch_that_follows() -> None:
    assert settled([(0, 50_000), (60, 3_000)], [(0, 50_000), (1e-6, 0)])[0][0][2] == 3_000


def test_events_before_the_first_reading_and_after_the_last_have_no_say() -> None:
    assert settled([(10, 5_000), (20, 6_000)], [(0, 0), (30, 0)]) == ([(10, 20, 1_000)], [])


def test_an_event_at_the_first_reading_must_show_the_same_figure() -> None:
    assert settled([(0, 12)], [(0, 0)]) == ([], [(0, 0, 0, 12)])
    assert settled([(0, 0)], [(0, 0)]) == ([], [])
    # In the middle of a machine's time this was settled with what came before.
    assert settled([(0, 12)], [(0, 0)], from_start=False) == ([], [])


def test_counted_strokes_rise_evenly_between_readings_and_stay_over_gaps() -> None:
    readings = [(at(0), 0), (at(60), 6_000), (at(90), 100), (at(100), 1_100)]
    counted = settle(timeline(readings), CounterLimits()).counted
    asked = [at(-5), at(0), at(30), at(60), at(75), at(90), at(95), at(500)]
    until = counted_until(counted, np.array([microseconds(moment) for moment in asked]))
    assert until.tolist() == [0, 0, 3_000, 6_000, 6_000, 6_000, 6_500, 7_000]
