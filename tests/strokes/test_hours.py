"""Clock hours: they cover all time, never overlap, and strokes spread over them add up."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.strokes.counters import count_slowly, spread_slowly, timeline
from tracelog.instants import hour_of, next_hour
from tracelog.strokes.hours import hour_starts, instant, microseconds, strokes_per_hour
from tracelog.strokes.rules import CounterLimits, settle

# Clocks changed by an hour, by half an hour, never, at midnight, and off by half an hour.
ZONES = [
    "Europe/Madrid",
    "Australia/Lord_Howe",
    "Asia/Kolkata",
    "America/Sao_Paulo",
    "America/St_Johns",
    "Asia/Kathmandu",
    "UTC",
]
zones = st.sampled_from(ZONES).map(ZoneInfo)
moments = st.integers(0, 12 * 365 * 86_400 * 10**6).map(
    lambda passed: datetime(2016, 1, 1, tzinfo=UTC) + timedelta(microseconds=passed)
)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@given(zones, moments)
def test_every_instant_lies_in_its_hour(zone: ZoneInfo, moment: datetime) -> None:
    start, end = hour_of(moment, zone), next_hour(moment, zone)
    assert start <= moment < end <= start + timedelta(hours=1)
    assert hour_of(start, zone) == start
    assert hour_of(end, zone) == end
    assert hour_of(end - timedelta(microseconds=1), zone) == start


@pytest.mark.parametrize(
    ("moment", "start", "end"),
    [
        # Put back half an hour at 02:00 (15:00 UTC): the half hour before 02:00 comes twice.
        ("2026-04-04T14:59", "2026-04-04T14:00", "2026-04-04T15:00"),
        ("2026-04-04T15:10", "2026-04-04T15:00", "2026-04-04T15:30"),
        ("2026-04-04T15:40", "2026-04-04T15:30", "2026-04-04T16:30"),
        # Put forward half an hour at 02:00 (15:30 UTC): 02:00 to 02:30 is left out.
        ("2026-10-03T15:29", "2026-10-03T14:30", "2026-10-03T15:30"),
        ("2026-10-03T15:31", "2026-10-03T15:30", "2026-10-03T16:00"),
        ("2026-10-03T16:01", "2026-10-03T16:00", "2026-10-03T17:00"),
    ],
)
def test_an_hour_is_cut_where_the_clock_is_changed_by_half_of_one(
    moment: str, start: str, end: str
) -> None:
    zone = ZoneInfo("Australia/Lord_Howe")
    assert hour_of(utc(moment), zone) == utc(start)
    assert next_hour(utc(moment), zone) == utc(end)


@given(zones, moments, st.integers(0, 24 * 400))
def test_hour_starts_are_those_of_every_hour_in_turn(
    zone: ZoneInfo, first: datetime, hours: int
) -> None:
    last = first + timedelta(hours=hours, minutes=17)
    expected = [hour_of(first, zone)]
    while expected[-1] <= last:
        expected.append(next_hour(expected[-1], zone))
    assert [instant(start) for start in hour_starts(first, last, zone).tolist()] == expected


def test_a_day_on_which_the_clock_is_put_back_has_25_hours() -> None:
    zone = ZoneInfo("Europe/Madrid")
    starts = hour_starts(utc("2026-10-24T22:00"), utc("2026-10-25T22:59"), zone)
    assert len(starts) - 1 == 25


def test_strokes_are_spread_in_proportion_to_time() -> None:
    # 400 strokes from 9:30 to 11:10, 100 minutes: 4 a minute.
    shown = [(utc("2026-03-02T09:30"), 1_000), (utc("2026-03-02T11:10"), 1_400)]
    counted = settle(timeline(shown), CounterLimits()).counted
    starts = hour_starts(shown[0][0], shown[-1][0], ZoneInfo("UTC"))
    hours = strokes_per_hour(counted, starts)
    assert hours.strokes.tolist() == [120, 240, 40]
    assert hours.before.tolist() == [0, 120, 360, 400]


def test_numbers_beyond_64_bits_are_spread_exactly() -> None:
    # A year between two readings at the largest figures that are kept.
    start, end = utc("2025-01-01T00:30"), utc("2026-01-01T00:30")
    made = 10**15 - 7
    counted = settle(timeline([(start, 0), (end, made)]), CounterLimits(rated_spm=1e9)).counted
    zone = ZoneInfo("Asia/Kolkata")
    hours = strokes_per_hour(counted, hour_starts(start, end, zone))
    slowly = spread_slowly([(start, end, made)], zone)
    assert hours.strokes.sum() == made
    pairs = zip(hours.starts[:-1].tolist(), hours.strokes.tolist(), strict=True)
    assert {instant(start): n for start, n in pairs if n} == slowly


steps = st.one_of(
    st.integers(1, 600), st.integers(1, 40 * 86_400), st.just(3600), st.integers(3500, 3700)
)


@given(
    zones,
    st.sampled_from(
        ["2026-03-28T20:00", "2026-04-04T12:00", "2026-10-03T12:00", "2018-11-03T20:00"]
    ),
    st.lists(st.tuples(steps, st.integers(0, 10_500)), min_size=1, max_size=25),
    st.lists(st.tuples(st.integers(0, 30), steps, st.integers(0, 10_000)), max_size=4),
    st.sampled_from([None, 9_999, 10_200]),
    st.sampled_from([None, 0.5, 80.0, 320.0]),
)
def test_hours_add_up_to_what_is_counted_and_are_those_of_the_slow_way(
    zone: ZoneInfo,
    start: str,
    shown: list[tuple[int, int]],
    done: list[tuple[int, int, int]],
    counter_max: int | None,
    rated_spm: float | None,
) -> None:
    at = utc(start)
    readings = {}
    for seconds, strokes in shown:
        at += timedelta(seconds=seconds)
        readings[at] = strokes
    instants = sorted(readings)
    # Events fall between readings and, with no seconds added, on them.
    events = {
        instants[place % len(instants)] + timedelta(seconds=0 if place % 3 else seconds): strokes
        for place, seconds, strokes in done
    }
    limits = CounterLimits(counter_max, rated_spm)
    slowly = count_slowly(readings.items(), events.items(), limits)
    settled = settle(timeline(readings.items(), events.items()), limits)
    hours = strokes_per_hour(settled.counted, hour_starts(instants[0], instants[-1], zone))

    assert hours.strokes.sum() == settled.counted.made.sum() == slowly.total
    assert (hours.strokes >= 0).all()
    pairs = zip(hours.starts[:-1].tolist(), hours.strokes.tolist(), strict=True)
    assert {instant(start): n for start, n in pairs if n} == {
        hour: n for hour, n in spread_slowly(slowly.accepted, zone).items() if n
    }
    questions = settled.questions
    assert [microseconds(question[1]) for question in slowly.questions] == questions.to_at.tolist()
    assert [microseconds(question[0]) for question in slowly.questions] == (
        questions.from_at.tolist()
    )
