from datetime import timedelta

import numpy as np
import pytest

from seed_demo.clock import CLEANING_HOURS
from seed_demo.planned import DAYS_AHEAD, NO_SERVICE, STOP
from seed_demo.sizes import SIZES, PlantSize
from tests.seed_demo.written import LONG, SMALL, plant


@pytest.mark.parametrize("size", [SMALL, LONG])
def test_every_stop_that_the_lines_were_made_to_stand_for_is_planned(size: PlantSize) -> None:
    made = plant(size)
    planned = [p for p in made.planned if p.kind == STOP and p.bodymaker is None]
    for line in range(1, size.lines + 1):
        known = {(p.starts, p.ends) for p in planned if p.line in (None, line)}
        assert known.issuperset(made.clock.planned_stops(line))


def test_what_is_planned_within_the_history_is_what_happened() -> None:
    made = plant(LONG)
    past = [p for p in made.planned if p.kind == STOP and p.ends <= made.clock.seconds]
    for period in past:
        rows = [
            n
            for n, m in enumerate(made.machines)
            if period.line in (None, m.line) and period.bodymaker in (None, m.number)
        ]
        assert rows
        for row in rows:
            # The rebuild begins with the first slot of five minutes after its start.
            made_while = made.running.made(row, np.array([period.starts + 300, period.ends]))
            assert made_while[0] == made_while[1], period


def test_cleanings_go_on_for_half_a_year_at_the_same_hour_of_the_plants_clock() -> None:
    made = plant(SIZES["demo"])
    clock = made.clock
    for line in range(1, 5):
        own = [p for p in made.planned if p.line == line and p.reason == "weekly cleaning"]
        starts = [clock.utc(p.starts).astimezone(clock.zone) for p in own]
        assert {(at.hour, at.minute) for at in starts} == {(6, 0)}
        assert {p.ends - p.starts for p in own} == {CLEANING_HOURS * 3600}
        assert (starts[-1].date() - clock.ends_on) > timedelta(days=DAYS_AHEAD - 7)
        assert {at.utcoffset() for at in starts} == {timedelta(hours=-5), timedelta(hours=-6)}


def test_the_demo_has_a_holiday_behind_and_one_ahead_both_announced_long_before() -> None:
    made = plant(SIZES["demo"])
    behind, ahead = [p for p in made.planned if p.reason == "plant holiday"]
    assert behind.ends < made.clock.seconds < ahead.starts
    assert all(p.announced is not None and p.announced < p.starts for p in (behind, ahead))


def test_one_cleaning_was_put_off_and_nothing_else_was_withdrawn() -> None:
    made = plant()
    [old] = [p for p in made.planned if p.withdrawn is not None]
    [new] = [p for p in made.planned if p.announced == old.withdrawn]
    assert (new.line, new.ends - new.starts) == (old.line, old.ends - old.starts)
    assert new.starts == old.starts + 24 * 3600
    assert old.starts > made.clock.seconds


def test_nothing_is_announced_after_the_end_of_the_history() -> None:
    for size in (SMALL, LONG, SIZES["demo"]):
        made = plant(size)
        assert all((p.announced or 0) <= made.clock.seconds for p in made.planned)
        assert all((p.withdrawn or 0) <= made.clock.seconds for p in made.planned)


def test_there_are_times_ahead_in_which_no_service_is_wanted() -> None:
    made = plant()
    ahead = [p for p in made.planned if p.kind == NO_SERVICE]
    assert [(p.line, p.bodymaker) for p in ahead] == [(1, None), (None, None)]
    assert all(p.starts > made.clock.seconds for p in ahead)
