"""Hours, shifts, days, weeks, months and quarters of the plant's clock."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tracelog.buckets import Bucket, Period, period_of, periods
from tracelog.errors import TracelogError
from tracelog.instants import HOUR, day_of, hour_of, start_of_day
from tracelog.plant.rules import ShiftRota, ShiftRule, shift_at

MADRID = ZoneInfo("Europe/Madrid")
ZONES = [
    MADRID,
    ZoneInfo("America/Sao_Paulo"),  # put its clock forward at midnight
    ZoneInfo("Asia/Kolkata"),  # half an hour off
    ZoneInfo("Pacific/Chatham"),  # three quarters of an hour off
    ZoneInfo("Australia/Lord_Howe"),  # changes its clock by half an hour
    ZoneInfo("UTC"),
]
SHIFTS = (ShiftRule(0, "early", time(5, 45)), ShiftRule(1, "late", time(13, 45)))
START = datetime(2015, 1, 1, tzinfo=UTC)
MOMENTS = st.timedeltas(timedelta(0), timedelta(days=12 * 365)).map(lambda later: START + later)


def rota(zone: ZoneInfo) -> ShiftRota:
    return ShiftRota(zone, SHIFTS, None, ())


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=MADRID).astimezone(UTC)


def only(bucket: Bucket, moment: datetime) -> Period:
    (found,) = periods(bucket, moment, moment + timedelta(seconds=1), MADRID, rota(MADRID))
    return found


@given(st.sampled_from(Bucket), MOMENTS, st.timedeltas(timedelta(0), timedelta(days=40)))
def test_buckets_cover_the_time_asked_for_without_gaps(
    bucket: Bucket, start: datetime, length: timedelta
) -> None:
    for zone in ZONES:
        found = periods(bucket, start, start + length, zone, rota(zone))
        if not length:
            assert found == ()
            continue
        assert found[0].start <= start < found[0].end, zone
        assert found[-1].start < start + length <= found[-1].end
        assert all(one.start < one.end for one in found)
        assert all(one.end == following.start for one, following in pairwise(found))


@example(Bucket.HOUR, datetime(2026, 10, 3, 15, 10, tzinfo=UTC), 3 * HOUR)
@example(Bucket.HOUR, datetime(2026, 4, 4, 14, 45, tzinfo=UTC), 3 * HOUR)
@given(st.sampled_from(Bucket), MOMENTS, st.timedeltas(timedelta(0), timedelta(days=40)))
def test_a_bucket_is_the_same_whatever_was_asked_around_it(
    bucket: Bucket, start: datetime, length: timedelta
) -> None:
    for zone in ZONES:
        wide = periods(bucket, start - length, start + length + HOUR, zone, rota(zone))
        narrow = periods(bucket, start, start + HOUR, zone, rota(zone))
        assert set(narrow) <= set(wide)


@given(MOMENTS)
def test_buckets_start_where_the_clock_says_so(moment: datetime) -> None:
    for zone in ZONES:
        end = moment + timedelta(seconds=1)
        (day,) = periods(Bucket.DAY, moment, end, zone)[:1]
        assert day.start == start_of_day(day_of(moment, zone), zone)
        if zone.key != "Australia/Lord_Howe":
            (hour,) = periods(Bucket.HOUR, moment, end, zone)[:1]
            assert hour.start == hour_of(moment, zone)
        (shift,) = periods(Bucket.SHIFT, moment, end, zone, rota(zone))[:1]
        held = shift_at(rota(zone), moment)
        assert held is not None
        assert (shift.start, shift.end) == (held.started_at, held.ended_at)


@pytest.mark.parametrize(
    ("bucket", "moment", "start", "end"),
    [
        (Bucket.HOUR, "2026-03-02T08:59", "2026-03-02T08:00", "2026-03-02T09:00"),
        (Bucket.SHIFT, "2026-03-02T05:00", "2026-03-01T13:45", "2026-03-02T05:45"),
        (Bucket.DAY, "2026-03-02T00:00", "2026-03-02T00:00", "2026-03-03T00:00"),
        (Bucket.WEEK, "2026-03-01T23:59", "2026-02-23T00:00", "2026-03-02T00:00"),
        (Bucket.WEEK, "2026-03-02T00:00", "2026-03-02T00:00", "2026-03-09T00:00"),
        (Bucket.MONTH, "2026-01-31T12:00", "2026-01-01T00:00", "2026-02-01T00:00"),
        (Bucket.MONTH, "2026-12-31T12:00", "2026-12-01T00:00", "2027-01-01T00:00"),
        (Bucket.QUARTER, "2026-05-31T12:00", "2026-04-01T00:00", "2026-07-01T00:00"),
        (Bucket.QUARTER, "2026-12-31T12:00", "2026-10-01T00:00", "2027-01-01T00:00"),
    ],
)
def test_each_kind_of_bucket_has_its_edges(
    bucket: Bucket, moment: str, start: str, end: str
) -> None:
    assert only(bucket, local(moment)) == Period(local(start), local(end))


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 3, 30), 24)]
)
def test_a_day_of_a_clock_change_is_as_long_as_it_is(day: date, hours: int) -> None:
    start = start_of_day(day, MADRID)
    one = only(Bucket.DAY, start + 12 * HOUR)
    assert one == Period(start, start + hours * HOUR)
    assert len(periods(Bucket.HOUR, one.start, one.end, MADRID)) == hours


def test_a_year_has_all_its_months_and_quarters() -> None:
    start, end = local("2027-01-01T00:00"), local("2029-01-01T00:00")
    months = [day_of(one.start, MADRID) for one in periods(Bucket.MONTH, start, end, MADRID)]
    assert months == [date(year, month, 1) for year in (2027, 2028) for month in range(1, 13)]
    assert len(periods(Bucket.QUARTER, start, end, MADRID)) == 8


@pytest.mark.parametrize("shifts", [None, ShiftRota(MADRID, (), None, ())])
def test_shifts_of_a_plant_without_any_are_refused_with_what_would_do(
    shifts: ShiftRota | None,
) -> None:
    moment = local("2026-03-02T00:00")
    with pytest.raises(TracelogError, match="no shifts; choose another bucket") as told:
        periods(Bucket.SHIFT, moment, moment + HOUR, MADRID, shifts)
    assert told.value.field == "bucket"


def test_the_bucket_of_an_instant_is_the_one_that_holds_it() -> None:
    start = local("2026-03-28T12:00")
    found = periods(Bucket.DAY, start, start + timedelta(days=3), MADRID)
    for one in found:
        assert period_of(found, one.start) == one
        assert period_of(found, one.end - timedelta(microseconds=1)) == one
    assert period_of(found, found[0].start - timedelta(microseconds=1)) is None
    assert period_of(found, found[-1].end) is None
    assert period_of((), start) is None
