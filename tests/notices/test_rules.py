"""Who is told of what, and when."""

import uuid
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.defects.facts import Severity
from tracelog.notices.facts import Kind, Pace, Way
from tracelog.notices.rules import (
    FRESH,
    HORIZON,
    MOST_ATTEMPTS,
    Occasion,
    Wanted,
    at_clock,
    matches,
    next_digest,
    quiet_end,
    send_at,
    wait_after,
    was_told,
)
from tracelog.plant.rules import ShiftRota, ShiftRule

ZONE = ZoneInfo("Europe/Madrid")
NOW = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
LINE, OTHER_LINE, MACHINE = uuid.uuid4(), uuid.uuid4(), uuid.uuid4()
ROTA = ShiftRota(
    ZONE,
    tuple(
        ShiftRule(place, label, time(hour))
        for place, (label, hour) in enumerate((("morning", 6), ("late", 14), ("night", 22)))
    ),
    None,
    (),
)
NO_SHIFTS = ShiftRota(ZONE, (), None, ())
WANTED = Wanted(
    id=uuid.uuid4(),
    account_id=uuid.uuid4(),
    kinds=tuple(Kind),
    line_id=None,
    machine_id=None,
    least_severity=None,
    days_ahead=3,
    way=Way.EMAIL,
    address="anna@plant.example",
    webhook_id=None,
    pace=Pace.AT_ONCE,
    daily_at=None,
    quiet_from=None,
    quiet_to=None,
    leaks_at_once=False,
    created_at=NOW - timedelta(days=30),
)
SIGNAL = Occasion(
    Kind.SIGNAL,
    "signal m split rise 2026-03-04T09:00:00Z",
    NOW - timedelta(minutes=30),
    "Signal at 1-2: split",
    "More",
    "/trends/signals",
    "1-2",
    line_id=LINE,
    machine_ids=frozenset({MACHINE}),
    severity=Severity.RUN,
    alike="signal m split rise ",
)
NIGHT = {"quiet_from": time(22), "quiet_to": time(6)}


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def local(text: str, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=ZONE, fold=fold).astimezone(UTC)


# --- what matches


@pytest.mark.parametrize(
    ("changes", "is_told"),
    [
        ({}, True),
        ({"kinds": (Kind.HOLD,)}, False),
        ({"line_id": LINE}, True),
        ({"line_id": OTHER_LINE}, False),
        ({"machine_id": MACHINE}, True),
        ({"machine_id": uuid.uuid4()}, False),
        ({"least_severity": Severity.LOOK}, True),
        ({"least_severity": Severity.RUN}, True),
        ({"least_severity": Severity.LEAK}, False),
        ({"created_at": NOW}, False),
    ],
)
def test_a_signal_is_told_to_whom_it_concerns(changes: dict[str, object], is_told: bool) -> None:
    assert matches(replace(WANTED, **changes), SIGNAL, NOW) is is_told  # type: ignore[arg-type]


def test_a_wrong_label_counts_as_a_leak_does_and_no_severity_counts_as_none() -> None:
    asks = replace(WANTED, least_severity=Severity.LEAK)
    assert matches(asks, replace(SIGNAL, severity=Severity.LABEL), NOW)
    assert matches(asks, replace(SIGNAL, severity=Severity.LEAK), NOW)
    assert not matches(asks, replace(SIGNAL, severity=None), NOW)


def test_severity_is_asked_of_signals_alone() -> None:
    hold = replace(SIGNAL, kind=Kind.HOLD, severity=None)
    assert matches(replace(WANTED, least_severity=Severity.LEAK), hold, NOW)


def test_what_is_so_is_told_to_who_subscribes_later_and_what_happened_is_not() -> None:
    new = replace(WANTED, created_at=NOW)
    assert matches(new, replace(SIGNAL, kind=Kind.SILENT_COUNTER, is_state=True), NOW)
    assert not matches(new, SIGNAL, NOW)


@pytest.mark.parametrize(("days_left", "is_told"), [(0, True), (3, True), (4, False), (None, True)])
def test_a_service_is_told_within_the_days_asked_for_and_always_when_overdue(
    days_left: int | None, is_told: bool
) -> None:
    due = replace(SIGNAL, kind=Kind.SERVICE, is_state=True, days_left=days_left)
    assert matches(WANTED, due, NOW) is is_told


def test_what_is_long_past_is_not_told_at_all() -> None:
    asks = replace(WANTED, created_at=NOW - 2 * HORIZON)
    assert matches(asks, replace(SIGNAL, happened_at=NOW - HORIZON), NOW)
    assert not matches(asks, replace(SIGNAL, happened_at=NOW - HORIZON - timedelta(1)), NOW)


# --- what was told already


def test_what_was_told_is_known_by_its_key_whenever_it_is_found() -> None:
    assert was_told(SIGNAL, {(SIGNAL.key, NOW - timedelta(days=20))})
    assert not was_told(SIGNAL, {("hold 1", SIGNAL.happened_at)})


@pytest.mark.parametrize(("hours", "is_same"), [(0.5, True), (23, True), (25, False)])
def test_a_signal_that_late_data_move_a_little_is_the_same_one(hours: float, is_same: bool) -> None:
    moved = (
        "signal m split rise 2026-03-04T00:00:00Z",
        SIGNAL.happened_at - timedelta(0, 0, 0, 0, 0, hours),
    )
    assert was_told(SIGNAL, {moved}) is is_same
    assert not was_told(replace(SIGNAL, alike=None), {moved})


def test_a_signal_of_another_defect_at_the_same_time_is_another_one() -> None:
    assert not was_told(SIGNAL, {("signal m splitting rise x", SIGNAL.happened_at)})


# --- quiet hours


@pytest.mark.parametrize(
    ("at", "ends"),
    [
        ("2026-03-04T21:59", None),
        ("2026-03-04T22:00", "2026-03-05T06:00"),
        ("2026-03-05T02:00", "2026-03-05T06:00"),
        ("2026-03-05T05:59", "2026-03-05T06:00"),
        ("2026-03-05T06:00", None),
    ],
)
def test_quiet_hours_over_midnight(at: str, ends: str | None) -> None:
    found = quiet_end(time(22), time(6), local(at), ZONE)
    assert found == (local(ends) if ends else None)


def test_quiet_hours_within_a_day_and_none_at_all() -> None:
    assert quiet_end(time(12), time(13), local("2026-03-04T12:30"), ZONE) == local(
        "2026-03-04T13:00"
    )
    assert quiet_end(time(12), time(13), local("2026-03-04T11:59"), ZONE) is None
    assert quiet_end(None, None, NOW, ZONE) is None


def test_a_quiet_night_is_an_hour_shorter_or_longer_when_the_clock_is_changed() -> None:
    spring = quiet_end(time(22), time(6), local("2026-03-28T22:00"), ZONE)
    autumn = quiet_end(time(22), time(6), local("2026-10-24T22:00"), ZONE)
    assert spring == local("2026-03-29T06:00") == utc("2026-03-29T04:00")
    assert autumn == local("2026-10-25T06:00") == utc("2026-10-25T05:00")


def test_quiet_hours_that_end_at_a_time_that_the_clock_leaves_out_end_at_its_jump() -> None:
    # On 29 March the clock goes from 02:00 to 03:00, which is 01:00 UTC.
    ends = quiet_end(time(23), time(2, 30), local("2026-03-29T01:30"), ZONE)
    assert ends == utc("2026-03-29T01:00")


def test_quiet_hours_with_an_end_that_comes_twice_last_until_the_second() -> None:
    # On 25 October 02:30 comes at 00:30 and at 01:30 UTC.
    for moment in ("2026-10-25T00:20", "2026-10-25T00:40", "2026-10-25T01:20"):
        assert quiet_end(time(23), time(2, 30), utc(moment), ZONE) == utc("2026-10-25T01:30")
    assert quiet_end(time(23), time(2, 30), utc("2026-10-25T01:30"), ZONE) is None


def test_quiet_hours_that_begin_at_a_time_that_comes_twice_begin_with_the_first() -> None:
    assert quiet_end(time(2, 30), time(6), utc("2026-10-25T00:29"), ZONE) is None
    assert quiet_end(time(2, 30), time(6), utc("2026-10-25T00:30"), ZONE) == utc("2026-10-25T05:00")


CLOCKS = st.builds(time, st.integers(0, 23), st.integers(0, 59))
MOMENTS = st.integers(0, 3 * 365 * 24 * 60).map(
    lambda count: datetime(2025, 1, 1, tzinfo=UTC) + timedelta(minutes=count)
)
ZONES = st.sampled_from(
    [ZONE, ZoneInfo("Australia/Lord_Howe"), ZoneInfo("America/St_Johns"), ZoneInfo("UTC")]
)


@given(CLOCKS, CLOCKS, MOMENTS, ZONES)
def test_quiet_hours_end_once_within_little_more_than_a_day(
    starts: time, ends: time, moment: datetime, zone: ZoneInfo
) -> None:
    over = quiet_end(starts, ends, moment, zone)
    if over is not None and starts != ends:
        assert moment < over <= moment + timedelta(hours=25, minutes=1)
        assert quiet_end(starts, ends, over, zone) is None


@given(st.dates(date(2025, 1, 1), date(2027, 12, 31)), CLOCKS, ZONES)
def test_a_time_of_the_day_is_never_later_than_its_second_coming(
    day: date, at: time, zone: ZoneInfo
) -> None:
    first, second = at_clock(day, at, zone), at_clock(day, at, zone, second=True)
    assert first <= second
    shown = first.astimezone(zone)
    assert shown.date() == day
    assert shown.time() == at or shown.time() > at  # left out: the jump, which shows a later time


# --- when a message goes out


def test_what_is_fresh_goes_at_once_and_on_the_page_alone_nothing_goes() -> None:
    assert send_at(WANTED, SIGNAL, NOW, ROTA) == NOW
    assert send_at(replace(WANTED, way=Way.PAGE), SIGNAL, NOW, ROTA) is None


def test_what_is_found_late_calls_nobody_but_comes_in_the_gathered_message() -> None:
    late = replace(SIGNAL, happened_at=NOW - FRESH - timedelta(minutes=1))
    assert send_at(WANTED, late, NOW, ROTA) is None
    hourly = replace(WANTED, pace=Pace.HOURLY)
    assert send_at(hourly, late, NOW, ROTA) == utc("2026-03-04T10:00")
    leak = replace(late, severity=Severity.LEAK)
    assert send_at(replace(WANTED, leaks_at_once=True), leak, NOW, ROTA) is None


def test_in_quiet_hours_it_is_kept_back_until_they_end() -> None:
    night = local("2026-03-04T23:15")
    found = replace(SIGNAL, happened_at=night)
    asks = replace(WANTED, **NIGHT)
    assert send_at(asks, found, night, ROTA) == local("2026-03-05T06:00")
    leak = replace(found, severity=Severity.LEAK)
    assert send_at(asks, leak, night, ROTA) == local("2026-03-05T06:00")
    assert send_at(replace(asks, leaks_at_once=True), leak, night, ROTA) == night
    over = replace(leak, kind=Kind.SIGNAL_OVER)
    assert send_at(replace(asks, leaks_at_once=True), over, night, ROTA) != night


def test_a_gathered_message_that_falls_into_quiet_hours_waits_for_their_end() -> None:
    night = local("2026-03-04T23:15")
    asks = replace(WANTED, pace=Pace.HOURLY, **NIGHT)
    assert send_at(asks, replace(SIGNAL, happened_at=night), night, ROTA) == local(
        "2026-03-05T06:00"
    )


@pytest.mark.parametrize(
    ("pace", "at", "comes"),
    [
        (Pace.HOURLY, "2026-03-04T09:59:59", "2026-03-04T10:00"),
        (Pace.HOURLY, "2026-03-04T10:00", "2026-03-04T11:00"),
        (Pace.DAILY, "2026-03-04T06:29", "2026-03-04T06:30"),
        (Pace.DAILY, "2026-03-04T06:30", "2026-03-05T06:30"),
        (Pace.SHIFT, "2026-03-04T13:59", "2026-03-04T14:00"),
        (Pace.SHIFT, "2026-03-04T14:00", "2026-03-04T22:00"),
        (Pace.SHIFT, "2026-03-04T23:00", "2026-03-05T06:00"),
    ],
)
def test_gathered_messages_come_at_the_next_hour_time_or_shift(
    pace: Pace, at: str, comes: str
) -> None:
    asks = replace(WANTED, pace=pace, daily_at=time(6, 30) if pace is Pace.DAILY else None)
    assert next_digest(asks, local(at), ROTA) == local(comes)


def test_a_daily_message_comes_once_on_the_days_on_which_the_clock_is_changed() -> None:
    asks = replace(WANTED, pace=Pace.DAILY, daily_at=time(2, 30))
    spring = next_digest(asks, utc("2026-03-28T12:00"), ROTA)
    assert spring == utc("2026-03-29T01:00")
    assert next_digest(asks, spring, ROTA) == local("2026-03-30T02:30")
    autumn = next_digest(asks, utc("2026-10-24T12:00"), ROTA)
    assert autumn == utc("2026-10-25T00:30")
    assert next_digest(asks, autumn, ROTA) == local("2026-10-26T02:30")


@given(st.sampled_from([Pace.HOURLY, Pace.DAILY, Pace.SHIFT]), MOMENTS, CLOCKS)
def test_a_gathered_message_always_lies_ahead_within_two_days(
    pace: Pace, moment: datetime, at: time
) -> None:
    asks = replace(WANTED, pace=pace, daily_at=at if pace is Pace.DAILY else None)
    for rota in (ROTA, NO_SHIFTS):
        assert moment < next_digest(asks, moment, rota) <= moment + timedelta(hours=26)


# --- waits


def test_waits_double_up_to_a_day_and_end() -> None:
    waits = [wait_after(attempts, 0.5) for attempts in range(1, MOST_ATTEMPTS + 1)]
    assert waits[:3] == [timedelta(minutes=1), timedelta(minutes=2), timedelta(minutes=4)]
    assert waits[-2] == timedelta(minutes=1024)
    assert waits[-1] is None
    assert wait_after(MOST_ATTEMPTS + 5, 0.5) is None


@given(st.integers(1, MOST_ATTEMPTS - 1), st.floats(0, 1))
def test_a_wait_lies_within_a_fifth_of_its_usual_length(attempts: int, draw: float) -> None:
    usual, found = wait_after(attempts, 0.5), wait_after(attempts, draw)
    assert usual is not None
    assert found is not None
    assert 0.799 * usual <= found <= 1.201 * usual
