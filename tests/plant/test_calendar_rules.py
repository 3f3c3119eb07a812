"""What planned periods mean for one machine, also on days of a clock change."""

import uuid
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.plant.calendar_rules import (
    PeriodKind,
    PlannedPeriodView,
    PlannedSpan,
    concerning,
    cut,
    day_bounds,
    hours_in_day,
    hours_within,
    merged,
    running_share,
)

MADRID = ZoneInfo("Europe/Madrid")
CHICAGO = ZoneInfo("America/Chicago")
START = datetime(2026, 3, 1, tzinfo=UTC)
LINE, OTHER_LINE, MACHINE, OTHER_MACHINE = (uuid.UUID(int=n) for n in range(1, 5))


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def span(start: float, end: float) -> PlannedSpan:
    return PlannedSpan(at(start), at(end))


def period(
    line: uuid.UUID | None = None,
    machine: uuid.UUID | None = None,
    kind: PeriodKind = PeriodKind.STOP,
) -> PlannedPeriodView:
    return PlannedPeriodView(
        uuid.uuid4(), kind, line, machine, at(0), at(8), None, None, None, None
    )


def test_a_machine_is_concerned_by_its_own_periods_its_lines_and_the_plants() -> None:
    whole_plant, line, machine = period(), period(LINE), period(LINE, MACHINE)
    others = [period(OTHER_LINE), period(LINE, OTHER_MACHINE)]
    found = concerning([whole_plant, line, machine, *others], LINE, MACHINE)
    assert found == [whole_plant, line, machine]


def test_a_whole_line_is_not_concerned_by_periods_of_one_of_its_machines() -> None:
    whole_plant, line = period(), period(LINE)
    assert concerning([whole_plant, line, period(LINE, MACHINE)], LINE) == [whole_plant, line]


def test_only_periods_of_the_kind_asked_for_are_taken() -> None:
    stop, busy = period(LINE), period(LINE, kind=PeriodKind.NO_SERVICE)
    assert concerning([stop, busy], LINE, MACHINE, PeriodKind.NO_SERVICE) == [busy]


def test_periods_that_overlap_or_touch_become_one_span() -> None:
    found = merged([span(10, 12), span(0, 4), span(3, 5), span(1, 2), span(5, 6)])
    assert found == (span(0, 6), span(10, 12))


def test_hours_are_counted_only_within_the_time_asked_for() -> None:
    spans = (span(0, 6), span(10, 12))
    assert cut(spans, at(4), at(11)) == (span(4, 6), span(10, 11))
    assert hours_within(spans, at(4), at(11)) == 3


@pytest.mark.parametrize(
    ("zone", "day", "length"),
    [
        (MADRID, date(2026, 3, 29), 23),
        (MADRID, date(2026, 10, 25), 25),
        (CHICAGO, date(2026, 3, 8), 23),
        (CHICAGO, date(2026, 11, 1), 25),
        (CHICAGO, date(2026, 3, 29), 24),
    ],
)
def test_a_stop_over_a_whole_day_takes_as_many_hours_as_the_day_has(
    zone: ZoneInfo, day: date, length: int
) -> None:
    long = [PlannedSpan(datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC))]
    assert day_bounds(day, zone).hours == length
    assert hours_in_day(long, day, zone) == length
    assert running_share(long, day, zone) == 0


def test_a_stop_over_the_night_of_a_clock_change_counts_real_hours_on_each_day() -> None:
    # 22:00 on the 28th to 06:00 on the 29th in Madrid: 21:00Z to 04:00Z, since 02:00 becomes 03:00.
    stop = [
        PlannedSpan(datetime(2026, 3, 28, 21, tzinfo=UTC), datetime(2026, 3, 29, 4, tzinfo=UTC))
    ]
    assert hours_in_day(stop, date(2026, 3, 28), MADRID) == 2
    assert hours_in_day(stop, date(2026, 3, 29), MADRID) == 5
    assert running_share(stop, date(2026, 3, 29), MADRID) == pytest.approx(18 / 23)


SPANS = st.lists(
    st.tuples(st.integers(0, 100), st.integers(1, 40)).map(lambda p: span(p[0], p[0] + p[1])),
    max_size=12,
)


@given(SPANS)
def test_merged_spans_lie_apart_and_hold_exactly_the_hours_that_any_span_holds(
    spans: list[PlannedSpan],
) -> None:
    found = merged(spans)
    assert all(one.end < other.start for one, other in pairwise(found))
    for hour in range(150):
        inside = any(one.start <= at(hour) < one.end for one in spans)
        assert inside == any(one.start <= at(hour) < one.end for one in found)
    assert merged(found) == found
