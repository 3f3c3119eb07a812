"""Hours of the plant's clock, also on the days on which clocks change."""

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tracelog.plant.calendar_rules import PlannedSpan
from tracelog.service.clock_hours import HOURS_OF_WEEK, clock_hours, covered

CHICAGO = ZoneInfo("America/Chicago")
SHIFTS = (time(6), time(18))


@pytest.mark.parametrize(
    ("first_day", "hours_of_day"),
    [(date(2026, 3, 7), [24, 23, 24]), (date(2026, 10, 31), [24, 25, 24])],
)
def test_days_of_a_clock_change_have_an_hour_less_or_more(
    first_day: date, hours_of_day: list[int]
) -> None:
    found = clock_hours(CHICAGO, SHIFTS, first_day, 3)
    assert np.diff(found.first).tolist() == hours_of_day
    assert (np.diff(found.starts) == 3600).all()
    for place, start in enumerate(found.starts[:-1]):
        local = datetime.fromtimestamp(float(start), UTC).astimezone(CHICAGO)
        assert local.date() == found.days[found.day[place]]
        assert found.week_hour[place] == local.weekday() * 24 + local.hour
        night = local.hour < 6 or local.hour >= 18
        belongs = (local.weekday() - (local.hour < 6)) % 7
        assert found.cell[place] == belongs * 2 + night
    assert found.cells == 14


def test_a_plant_without_shifts_has_quarters_of_days() -> None:
    found = clock_hours(CHICAGO, (), date(2026, 3, 9), 7)  # a Monday
    assert found.cells == 28
    assert found.cell.tolist() == sorted(found.cell.tolist())
    assert np.bincount(found.cell).tolist() == [6] * 28
    assert found.week_hour.tolist() == list(range(HOURS_OF_WEEK))


def test_hours_are_found_by_their_instant_and_cut_by_day() -> None:
    found = clock_hours(CHICAGO, SHIFTS, date(2026, 3, 7), 3)
    assert found.place_of(float(found.starts[30]) + 3599.9) == 30
    assert found.place_of(0.0) == 0
    assert found.place_of(4e9) == len(found.day) - 1
    last = found.only(1, 2)
    assert last.days == found.days[1:]
    assert last.starts.tolist() == found.starts[24:].tolist()
    assert last.first.tolist() == [0, 23, 47]


def test_spans_cover_their_share_of_each_hour() -> None:
    found = clock_hours(CHICAGO, SHIFTS, date(2026, 3, 2), 1)

    def span(low: tuple[int, int], high: tuple[int, int]) -> PlannedSpan:
        day = datetime(2026, 3, 2, tzinfo=CHICAGO)
        return PlannedSpan(
            day.replace(hour=low[0], minute=low[1]).astimezone(UTC),
            day.replace(hour=high[0], minute=high[1]).astimezone(UTC),
        )

    shares = covered(found, [span((1, 30), (3, 15)), span((3, 45), (4, 0))])
    assert shares[:6].tolist() == [0, 0.5, 1, 0.5, 0, 0]
    assert shares.sum() == 2
