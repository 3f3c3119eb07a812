from collections import Counter
from datetime import UTC, date, datetime

import numpy as np
import pytest

from seed_demo.clock import PlantClock
from seed_demo.sizes import PlantSize
from tests.seed_demo.written import LONG


def test_each_crew_works_seven_shifts_in_fourteen_days_in_twos_and_threes() -> None:
    clock = PlantClock.of(PlantSize(1, 1, 28, ends_on=date(2026, 6, 28)))
    assert clock.starts_on.weekday() == 0
    for crew in "ABCD":
        works = [n // 2 for n in range(28) if clock.shift_crews[n] == crew]
        assert len(works) == len(set(works)) == 7
        blocks = np.split(works, np.flatnonzero(np.diff(works) > 1) + 1)
        assert all(len(block) in (2, 3) for block in blocks)


def test_each_crew_works_days_and_nights_so_that_crew_and_shift_can_be_told_apart() -> None:
    clock = PlantClock.of(PlantSize(1, 1, 28, ends_on=date(2026, 6, 28)))
    seen = Counter(zip(clock.shift_crews, clock.shift_names, strict=True))
    assert all(seen[crew, shift] >= 4 for crew in "ABCD" for shift in ("day", "night"))


def test_a_night_with_a_clock_change_is_an_hour_shorter_or_longer() -> None:
    clock = PlantClock.of(LONG)
    hours = Counter((np.diff(clock.shift_starts) // 3600).tolist())
    assert set(hours) == {11, 12, 13}
    assert hours[11] == hours[13] == 1


def test_plant_time_carries_the_offset_of_its_season() -> None:
    clock = PlantClock.of(LONG)
    instants = [datetime(2026, 1, 15, 12, tzinfo=UTC), datetime(2026, 3, 20, 12, tzinfo=UTC)]
    seconds = np.array([(at - clock.start_at).total_seconds() for at in instants])
    assert clock.local_text(seconds) == ["2026-01-15T06:00:00-06:00", "2026-03-20T07:00:00-05:00"]
    assert [datetime.fromisoformat(text) for text in clock.local_text(seconds)] == instants
    assert clock.utc_text(seconds) == ["2026-01-15T12:00:00Z", "2026-03-20T12:00:00Z"]


@pytest.mark.parametrize(("days", "holiday"), [(365, True), (60, False)])
def test_only_a_long_history_has_a_holiday_fortnight(days: int, holiday: bool) -> None:
    clock = PlantClock.of(PlantSize(1, 1, days))
    found = clock.holiday()
    assert (found is not None) is holiday
    if found:
        assert (found[1] - found[0]).days == 13
        assert clock.starts_on < found[0]
        assert found[1] < clock.ends_on
