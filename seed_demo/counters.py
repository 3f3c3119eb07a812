"""What the cumulative counters showed: readings, roll-overs, resets, and two open questions."""

from dataclasses import dataclass

import numpy as np

from seed_demo.clock import DAY_SECONDS, IntArray, PlantClock
from seed_demo.machines import Bodymaker
from seed_demo.running import Running
from seed_demo.services import Service

EVENTS = ("reset", "preset", "replaced")
UNDECLARED_JUMPS = 2
JITTER_SECONDS = 240
MISSED_SHARE = 0.002
LATE_SHARE = 0.003
TWICE_SHARE = 0.0005


@dataclass(frozen=True)
class CounterStep:
    """A counter that was set to `after` at `at` (seconds); `event` blank: nobody said so."""

    machine: int
    at: int
    event: str
    after: int


@dataclass(frozen=True)
class Readings:
    """All readings in the order in which they arrive, one array element per row."""

    machine: IntArray
    at: IntArray
    raw: IntArray


@dataclass(frozen=True)
class Counters:
    """Readings, declared events, undeclared jumps, and what nobody can know from them.

    `unaccounted` holds, per machine, the true strokes that lie between the last reading before
    an event and the event, or inside the interval of an undeclared jump.
    """

    readings: Readings
    declared: list[CounterStep]
    undeclared: list[CounterStep]
    unaccounted: IntArray


def read_counters(
    clock: PlantClock,
    machines: list[Bodymaker],
    running: Running,
    services: list[Service],
    rng: np.random.Generator,
) -> Counters:
    """Return everything that was read off the counters and everything done to them."""
    # A stream of its own: which machines jump shall not depend on when services were done.
    jumps = np.random.default_rng(rng.integers(1 << 62))
    first_raw = [int(rng.integers(0, m.counter_max // 2)) for m in machines]
    undeclared = _undeclared(clock, machines, running, first_raw, jumps)
    declared = _declared(clock, machines, services, {s.machine for s in undeclared}, rng)
    stepped = {step.machine for step in declared + undeclared}
    untouched = [n for n in range(len(machines)) if n not in stepped]
    gaps = set(rng.permutation(untouched)[: max(1, len(machines) // 8)].tolist())
    rows, unaccounted = [], np.zeros(len(machines), dtype=np.int64)
    for index, machine in enumerate(machines):
        steps = sorted((s for s in declared + undeclared if s.machine == index), key=lambda s: s.at)
        at = _times(clock, steps, index in gaps, rng)
        raw = _raw(machine, running, index, first_raw[index], steps, at)
        unaccounted[index] = sum(_unaccounted(running, index, step, at) for step in steps)
        rows.append((np.full(len(at), index), at, raw))
    readings = _as_they_arrive(
        Readings(*(np.concatenate(part) for part in zip(*rows, strict=True))), rng
    )
    return Counters(readings, declared, undeclared, unaccounted)


def _declared(
    clock: PlantClock,
    machines: list[Bodymaker],
    services: list[Service],
    taken: set[int],
    rng: np.random.Generator,
) -> list[CounterStep]:
    """Return the events somebody wrote down: most inside a service, some while running."""
    free = [number for number in range(len(machines)) if number not in taken]
    steps = []
    chosen = rng.permutation(free)[: max(3, len(machines) // 3)].tolist()
    for number, machine in enumerate(chosen):
        own = [s for s in services if s.machine == machine and s.end < clock.seconds]
        if own and number % 3 != 2:
            service = own[int(rng.integers(len(own)))]
            at = service.start + 0.6 * (service.end - service.start)
        else:
            at = rng.uniform(0.1, 0.9) * clock.seconds
        event = EVENTS[number % len(EVENTS)]
        after = 0
        if event == "preset":
            after = int(rng.integers(1, machines[machine].counter_max))
        elif event == "replaced":
            after = int(rng.integers(0, 60)) * 50
        steps.append(CounterStep(machine, int(at), event, after))
    return sorted(steps, key=lambda s: (s.at, s.machine))


def _undeclared(
    clock: PlantClock,
    machines: list[Bodymaker],
    running: Running,
    first_raw: list[int],
    rng: np.random.Generator,
) -> list[CounterStep]:
    """Return the two backward jumps that nobody declared.

    They happen on wide counters, where a roll-over cannot explain a lower reading; the first
    figure of such a counter is chosen so that it stands in the middle of its range then.
    """
    wide = [i for i, m in enumerate(machines) if m.counter_max >= 99_999_999]
    chosen = rng.permutation(wide)[:UNDECLARED_JUMPS].tolist()
    closer = min(1.0, len(clock.dates()) / 60)
    steps = []
    for number, days_before in enumerate((33, 9)):
        machine = chosen[number % len(chosen)]
        at = int(clock.seconds - days_before * closer * DAY_SECONDS - rng.integers(0, 36_000))
        if number < len(chosen):
            middle = machines[machine].counter_max // 2 + int(rng.integers(0, 5_000_000))
            made = int(running.whole(machine, at))
            first_raw[machine] = (middle - made) % (machines[machine].counter_max + 1)
        before = machines[machine].counter_max // 2
        steps.append(CounterStep(machine, at, "", before - int(rng.integers(2_000_000, 4_000_000))))
    return steps


def _times(
    clock: PlantClock, steps: list[CounterStep], gap: bool, rng: np.random.Generator
) -> IntArray:
    """Return when a machine was read: hourly with jitter, some hours missed, perhaps a day."""
    hours = np.arange(clock.seconds // 3600 + 1)
    jitter = rng.integers(-JITTER_SECONDS, JITTER_SECONDS + 1, len(hours))
    at = hours * 3600 + int(rng.integers(JITTER_SECONDS, 3600 - JITTER_SECONDS)) + jitter
    at = at[(at < clock.seconds) & (rng.random(len(at)) >= MISSED_SHARE)]
    if gap:
        start = rng.uniform(0.1, 0.8) * clock.seconds
        at = at[(at < start) | (at > start + DAY_SECONDS)]
    # A careful hand reads the counter just before it is reset; not everybody does.
    before = [s.at - int(rng.integers(20, 90)) for s in steps if s.event and rng.random() < 0.6]
    return np.unique(np.concatenate([at, np.array(before, dtype=np.int64)]))


def _raw(
    machine: Bodymaker,
    running: Running,
    index: int,
    first_raw: int,
    steps: list[CounterStep],
    at: IntArray,
) -> IntArray:
    whole = running.whole(index, at)
    shown = first_raw + whole
    for step in steps:
        later = at >= step.at
        shown[later] = step.after + whole[later] - int(running.whole(index, step.at))
    return shown % (machine.counter_max + 1)


def _unaccounted(running: Running, index: int, step: CounterStep, at: IntArray) -> int:
    earlier, later = at[at < step.at], at[at >= step.at]
    if len(earlier) == 0 or len(later) == 0:
        return 0
    until = step.at if step.event else int(later[0])
    return int(running.whole(index, until) - running.whole(index, int(earlier[-1])))


def _as_they_arrive(readings: Readings, rng: np.random.Generator) -> Readings:
    """Order rows by arrival: some late by hours, some sent twice."""
    count = len(readings.at)
    arrives = readings.at.astype(np.float64)
    arrives += np.where(rng.random(count) < LATE_SHARE, rng.uniform(1, 30, count) * 3600, 0.0)
    twice = np.flatnonzero(rng.random(count) < TWICE_SHARE)
    again = arrives[twice] + rng.uniform(0, 7200, len(twice))
    rows = np.concatenate([np.arange(count), twice])
    order = rows[np.lexsort((rows, np.concatenate([arrives, again])))]
    return Readings(readings.machine[order], readings.at[order], readings.raw[order])
