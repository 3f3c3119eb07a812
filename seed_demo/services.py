"""Services: three levels, done near their interval by few crews, some late, some unplanned."""

from dataclasses import dataclass
from datetime import date, time

import numpy as np

from seed_demo.clock import DAY_SECONDS, FloatArray, PlantClock
from seed_demo.machines import Bodymaker, Roles
from seed_demo.running import Running

MACHINES_PER_CREW = 32
CREW_STARTS = time(7, 0)
CREW_HOURS = 12
REBUILD_DAYS = 16
BREAKDOWNS_PER_YEAR = 0.7
BREAKDOWNS = ("ram seal blown", "redraw carriage jammed", "domer out of line after a jam", "")


@dataclass(frozen=True)
class ServiceLevel:
    """A level of service: due after strokes or days, hours it takes, people it needs."""

    service: str
    interval_strokes: int
    interval_days: int | None
    hours: int
    people: int


# Lowest first; a higher level contains the lower ones. Figures are this plant's own settings.
LEVELS = (
    ServiceLevel("medium", 20_000_000, None, 4, 2),
    ServiceLevel("major", 50_000_000, None, 8, 2),
    ServiceLevel("overhaul", 100_000_000, 240, 24, 3),
)
MEDIUM, MAJOR, OVERHAUL = range(3)


@dataclass(frozen=True)
class Service:
    """A service done: the machine stood from `start` to `end` (seconds)."""

    machine: int
    level: int
    start: float
    end: float
    unplanned: bool = False
    note: str = ""


@dataclass
class _Counts:
    """What a planner has on the desk: strokes and days since each level, and when to act."""

    since: FloatArray
    days: FloatArray
    act_at: FloatArray

    def ratio(self, machine: int) -> FloatArray:
        by_strokes = self.since[machine] / [level.interval_strokes for level in LEVELS]
        by_days = self.days[machine] / [level.interval_days or 1e9 for level in LEVELS]
        return np.asarray(np.maximum(by_strokes, by_days))


def rebuild_window(clock: PlantClock) -> tuple[int, int]:
    """Return (start, end) of the long rebuild during which a doming tool was lent."""
    days = len(clock.dates())
    length = min(REBUILD_DAYS, max(days // 5, 2))
    before = min(130, max(days * 0.85, length + 1))
    start = clock.days_before_end(before, CREW_STARTS)
    return start, clock.days_before_end(before - length, time(17, 0))


def serve(
    clock: PlantClock,
    machines: list[Bodymaker],
    running: Running,
    roles: Roles,
    rng: np.random.Generator,
) -> list[Service]:
    """Plan and do all services, stop the machines for them, and return them in order of start."""
    days = clock.dates()
    bounds = np.array([clock.second_of(day, time(0, 0)) for day in days], dtype=np.float64)
    bounds = np.append(bounds, bounds[-1] + DAY_SECONDS)
    daily = np.stack([np.diff(running.made(m, bounds)) for m in range(len(machines))])
    done = _breakdowns(clock, len(machines), rng)
    if roles.dome_from is not None:
        start, end = rebuild_window(clock)
        done = [s for s in done if s.machine != roles.dome_from or not start <= s.start <= end]
        note = "rebuild of the crank; its doming tool was lent meanwhile"
        done.append(Service(roles.dome_from, OVERHAUL, start, end, note=note))
    counts = _starting_counts(len(machines), rng)
    for number, day in enumerate(days):
        counts.since += daily[:, number : number + 1]
        counts.days += 1.0
        done.extend(_plan_day(clock, machines, day, counts, done, rng))
        for service in done:
            if bounds[number] <= service.end < bounds[number + 1]:
                _restart(counts, service.machine, service.level, rng)
    kept = [s for s in done if s.start < clock.seconds]
    for service in kept:
        running.stop(service.machine, service.start, service.end)
    return sorted(kept, key=lambda s: (s.start, s.machine))


def _starting_counts(count: int, rng: np.random.Generator) -> _Counts:
    whole = rng.uniform(0, LEVELS[OVERHAUL].interval_strokes, count)
    since = np.stack(
        [whole % LEVELS[MEDIUM].interval_strokes, whole % LEVELS[MAJOR].interval_strokes, whole],
        axis=1,
    )
    since[:, MEDIUM] = np.minimum(since[:, MEDIUM], since[:, MAJOR])
    days = since / 450_000
    return _Counts(since, days, _act_at(rng, count))


def _act_at(rng: np.random.Generator, count: int) -> FloatArray:
    """Return the share of the interval at which each level is called: mostly just before it."""
    usual = rng.normal(0.975, 0.025, (count, len(LEVELS)))
    postponed = rng.uniform(1.06, 1.18, (count, len(LEVELS)))
    return np.where(rng.random((count, len(LEVELS))) < 0.07, postponed, usual)


def _restart(counts: _Counts, machine: int, level: int, rng: np.random.Generator) -> None:
    counts.since[machine, : level + 1] = 0.0
    counts.days[machine, : level + 1] = 0.0
    counts.act_at[machine, : level + 1] = _act_at(rng, 1)[0, : level + 1]


def _breakdowns(clock: PlantClock, count: int, rng: np.random.Generator) -> list[Service]:
    found = []
    for machine in range(count):
        for _ in range(rng.poisson(BREAKDOWNS_PER_YEAR * clock.seconds / DAY_SECONDS / 365)):
            start = int(rng.uniform(0, clock.seconds)) // 300 * 300.0
            end = start + int(rng.integers(16, 42)) * 900.0
            note = BREAKDOWNS[rng.integers(len(BREAKDOWNS))]
            found.append(Service(machine, MEDIUM, start, end, unplanned=True, note=note))
    return found


def _plan_day(
    clock: PlantClock,
    machines: list[Bodymaker],
    day: date,
    counts: _Counts,
    done: list[Service],
    rng: np.random.Generator,
) -> list[Service]:
    """Give the day's crew hours to the most urgent machines, one machine per line at a time."""
    holiday = clock.holiday()
    if holiday and holiday[0] <= day <= holiday[1]:
        return []
    starts = float(clock.second_of(day, CREW_STARTS))
    ends = starts + CREW_HOURS * 3600
    down = {s.machine for s in done if s.end > starts and s.start < ends + DAY_SECONDS}
    # The rebuild is done by a team from outside and does not hold up the plant's own crew.
    open_now = [s for s in done if s.end > starts and s.start < ends and not _is_rebuild(s)]
    busy_lines = {machines[s.machine].line for s in open_now}
    crews = -(-len(machines) // MACHINES_PER_CREW)
    busy_crews = sum(1 for s in open_now if not s.unplanned and s.level == OVERHAUL)
    free_at = [0.0] * max(crews - busy_crews, 0)
    placed: list[Service] = []
    for machine, level in _called(machines, day, counts):
        line = machines[machine].line
        hours = min(LEVELS[level].hours, CREW_HOURS)
        if not free_at or machine in down or line in busy_lines or starts < 0:
            continue
        crew = int(np.argmin(free_at))
        if free_at[crew] + hours > CREW_HOURS:
            continue
        start = starts + free_at[crew] * 3600
        length = LEVELS[level].hours * 3600.0
        if level == OVERHAUL:  # two crew days with the night between them
            length += (24 - CREW_HOURS) * 3600
        length += int(rng.integers(-2, 5)) * 900
        placed.append(Service(machine, level, start, start + length))
        busy_lines.add(line)
        free_at[crew] += hours
    return placed


def _is_rebuild(service: Service) -> bool:
    return not service.unplanned and service.end - service.start > 2 * DAY_SECONDS


def _called(machines: list[Bodymaker], day: date, counts: _Counts) -> list[tuple[int, int]]:
    """Return (machine, level) of every machine that is due, the most urgent first."""
    called = []
    for machine, made in enumerate(machines):
        ratio = counts.ratio(machine)
        # A service costs least on the day on which the line stands for cleaning anyway.
        cleaning = 0.03 if day.weekday() == made.line % 7 else 0.0
        due = np.flatnonzero(ratio >= counts.act_at[machine] - cleaning)
        if len(due) == 0:
            continue
        level = int(due[-1])
        near = [n for n in range(level + 1, len(LEVELS)) if ratio[n] >= 0.93]
        called.append((float(ratio[level]), machine, near[-1] if near else level))
    return [(machine, level) for _, machine, level in sorted(called, reverse=True)]
