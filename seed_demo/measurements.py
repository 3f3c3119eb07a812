"""Measured values: a few subgroups of cans per machine and day in the last weeks."""

from dataclasses import dataclass

import numpy as np

from seed_demo.clock import DAY_SECONDS, FloatArray, IntArray, PlantClock
from seed_demo.running import Running

MEASURED_DAYS = 60


@dataclass(frozen=True)
class Characteristic:
    """What is measured: usual value, spread between machines, drift and spread between cans."""

    characteristic: str
    unit: str
    mean: float
    between: float
    drift: float
    within: float
    decimals: int
    subgroups_a_day: int
    cans: int


# Targets are common practice, no source; the spreads are invented.
CHARACTERISTICS = (
    Characteristic("thin-wall", "mm", 0.0920, 0.0006, 0.0004, 0.0007, 4, 2, 3),
    Characteristic("dome-depth", "mm", 10.40, 0.025, 0.012, 0.030, 2, 1, 3),
    Characteristic("body-weight", "g", 10.20, 0.030, 0.015, 0.035, 2, 1, 3),
)


@dataclass(frozen=True)
class Measurements:
    """All measured values in order of time, one element per value; `at` in seconds."""

    machine: IntArray
    at: IntArray
    characteristic: IntArray
    value: FloatArray
    subgroup: IntArray


def measure(clock: PlantClock, running: Running, rng: np.random.Generator) -> Measurements:
    """Return the measurements of all machines; nothing is measured on one that stands."""
    days = min(MEASURED_DAYS, len(clock.dates()))
    first = clock.seconds - days * DAY_SECONDS
    parts: list[tuple[IntArray, ...]] = []
    values: list[FloatArray] = []
    for machine in range(len(running.strokes)):
        for number, what in enumerate(CHARACTERISTICS):
            count = days * what.subgroups_a_day
            spacing = DAY_SECONDS / what.subgroups_a_day
            at = first + np.arange(count) * spacing + rng.uniform(0, 5400, count) + number * 600
            ran = running.made(machine, at) - running.made(machine, at - 900) > 1000
            level = what.mean + rng.normal(0, what.between) + _drift(count, what.drift, rng)
            value = level[:, None] + rng.normal(0, what.within, (count, what.cans))
            times = at[:, None] + np.arange(what.cans) * 45
            subgroup = np.repeat(np.arange(1, count + 1)[:, None], what.cans, axis=1)
            keep = np.repeat(
                (ran & (at >= 0) & (times[:, -1] < clock.seconds))[:, None], what.cans, 1
            )
            size = int(keep.sum())
            parts.append(
                (
                    np.full(size, machine),
                    times[keep].astype(np.int64),
                    np.full(size, number),
                    subgroup[keep],
                )
            )
            values.append(value[keep])
    machines, ats, kinds, subgroups = (np.concatenate(part) for part in zip(*parts, strict=True))
    order = np.lexsort((kinds, machines, ats))
    value = np.concatenate(values)
    return Measurements(machines[order], ats[order], kinds[order], value[order], subgroups[order])


def _drift(count: int, size: float, rng: np.random.Generator) -> FloatArray:
    level, drift = 0.0, np.empty(count)
    for index, noise in enumerate(rng.normal(0, size, count)):
        level = 0.9 * level + noise
        drift[index] = level
    return drift
