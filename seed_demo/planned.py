"""What the plant knows beforehand: cleanings, holidays, a rebuild, a big order, a day without crew.

The stops of the history are the very ones that `PlantClock.planned_stops` makes the lines stand
for. Those beyond its end go on in the same way for half a year. No chance is used here.
"""

from dataclasses import dataclass, replace
from datetime import date, time, timedelta

from seed_demo.clock import CLEANING_HOURS, CLEANING_STARTS, DAY_SECONDS, HOLIDAY_DAYS, PlantClock
from seed_demo.machines import Bodymaker, Roles
from seed_demo.services import rebuild_window

STOP, NO_SERVICE = "stop", "no service"
DAYS_AHEAD = 182
HOLIDAY_ANNOUNCED_DAYS = 182  # before it begins
REBUILD_ANNOUNCED_DAYS = 21
MOVED_CLEANING = 3  # of the last line, counted from 0 after the end of the history
MOVED_DAYS_BEFORE_END = 3
ORDER_AHEAD_DAYS, ORDER_DAYS, ORDER_ANNOUNCED_DAYS = 18, 5, 12
NO_CREW_AHEAD_DAYS, NO_CREW_ANNOUNCED_DAYS = 33, 40


@dataclass(frozen=True)
class PlannedPeriod:
    """A period known beforehand; instants in seconds since the history began.

    `line` None: the whole plant; `bodymaker` None: the whole line; `announced` None: always known.
    """

    kind: str
    line: int | None
    bodymaker: int | None
    starts: int
    ends: int
    reason: str
    announced: int | None = None
    withdrawn: int | None = None


def plan_periods(clock: PlantClock, machines: list[Bodymaker], roles: Roles) -> list[PlannedPeriod]:
    """Return all planned periods in order of their start."""
    lines = sorted({machine.line for machine in machines})
    planned = [period for line in lines for period in _cleanings(clock, line)]
    planned += _holidays(clock)
    planned += _moved(clock, planned, lines[-1])
    planned += _rebuild(clock, machines, roles)
    planned += [_big_order(clock, lines[0]), _no_crew(clock)]
    return sorted(planned, key=lambda p: (p.starts, p.line or 0, p.kind, p.withdrawn is None))


def _cleanings(clock: PlantClock, line: int) -> list[PlannedPeriod]:
    length = CLEANING_HOURS * 3600
    past = [stop for stop in clock.planned_stops(line) if stop[1] - stop[0] == length]
    ahead = [clock.ends_on + timedelta(days=n) for n in range(1, DAYS_AHEAD + 1)]
    starts = [start for start, _end in past]
    starts += [clock.second_of(day, CLEANING_STARTS) for day in ahead if day.weekday() == line % 7]
    return [PlannedPeriod(STOP, line, None, at, at + length, "weekly cleaning") for at in starts]


def _holidays(clock: PlantClock) -> list[PlannedPeriod]:
    """The fortnight of the history and that of the next year, if it is announced already."""
    first = clock.holiday()
    if first is None:
        return []
    found = []
    for monday in (first[0], first[0] + timedelta(weeks=52)):
        starts = clock.second_of(monday, CLEANING_STARTS)
        announced = clock.second_of(monday - timedelta(days=HOLIDAY_ANNOUNCED_DAYS), time(10, 0))
        if announced <= clock.seconds:
            ends = starts + HOLIDAY_DAYS * DAY_SECONDS
            found.append(PlannedPeriod(STOP, None, None, starts, ends, "plant holiday", announced))
    return found


def _moved(clock: PlantClock, planned: list[PlannedPeriod], line: int) -> list[PlannedPeriod]:
    """Put off one cleaning by a day: it is withdrawn in `planned`, and a new one returned."""
    ahead = [n for n, p in enumerate(planned) if p.line == line and p.starts > clock.seconds]
    place = ahead[MOVED_CLEANING]
    since = clock.days_before_end(MOVED_DAYS_BEFORE_END, time(11, 0))
    old = planned[place]
    planned[place] = replace(old, withdrawn=since)
    day = _day_of(clock, old.starts) + timedelta(days=1)
    starts = clock.second_of(day, CLEANING_STARTS)
    ends = starts + CLEANING_HOURS * 3600
    reason = "weekly cleaning, put off by a day for an order"
    return [replace(old, starts=starts, ends=ends, reason=reason, announced=since)]


def _day_of(clock: PlantClock, second: int) -> date:
    return clock.utc(second).astimezone(clock.zone).date()


def _rebuild(clock: PlantClock, machines: list[Bodymaker], roles: Roles) -> list[PlannedPeriod]:
    if roles.dome_from is None:
        return []
    machine, (starts, ends) = machines[roles.dome_from], rebuild_window(clock)
    announced = starts - REBUILD_ANNOUNCED_DAYS * DAY_SECONDS
    return [
        PlannedPeriod(
            *(STOP, machine.line, machine.number, starts, ends, "rebuild of the crank", announced)
        )
    ]


def _big_order(clock: PlantClock, line: int) -> PlannedPeriod:
    first = clock.ends_on + timedelta(days=ORDER_AHEAD_DAYS)
    starts = clock.second_of(first, time(0, 0))
    ends = clock.second_of(first + timedelta(days=ORDER_DAYS), time(0, 0))
    announced = clock.days_before_end(ORDER_ANNOUNCED_DAYS, time(9, 30))
    return PlannedPeriod(NO_SERVICE, line, None, starts, ends, "big order", announced)


def _no_crew(clock: PlantClock) -> PlannedPeriod:
    day = clock.ends_on + timedelta(days=NO_CREW_AHEAD_DAYS)
    starts = clock.second_of(day, time(0, 0))
    ends = clock.second_of(day + timedelta(days=1), time(0, 0))
    announced = clock.days_before_end(NO_CREW_ANNOUNCED_DAYS, time(14, 0))
    reason = "public holiday, no service crew"
    return PlannedPeriod(NO_SERVICE, None, None, starts, ends, reason, announced)
