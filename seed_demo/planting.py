"""Plant one cause of any kind in a simulated plant, among the nuisances that real logs have.

Entries of one kind of defect are drawn anew: machines that differ, days that differ, crews that
report more or less, codes that are read as another machine's, and the cause on top. All other
kinds keep their entries, thinned as each crew reports. What `simulate` makes is left as it is.
"""

from dataclasses import dataclass, replace

import numpy as np

from seed_demo.causes import Cause, causes_of, coil_put_back
from seed_demo.clock import DAY_SECONDS, FloatArray, IntArray
from seed_demo.defects import SHIFT_REPORTING, Findings, found_later
from seed_demo.simulate import SimulatedPlant
from seed_demo.vocabulary import CODES

LEAST_EXCESS = 20
LOWEST_RATE, HIGHEST_RATE = 0.08, 1.2  # entries per million strokes


@dataclass(frozen=True)
class Nuisances:
    """What makes logs uneven though nothing is wrong; variances are relative.

    `machine_shape` is of the gamma of machines' levels; `crew_spread` of the logarithm of what
    crews report of anything, `crew_taste` of what they report of one kind of defect.
    """

    machine_shape: float = 5.0
    machine_day: float = 0.2
    line_day: float = 0.08
    plant_day: float = 0.05
    crew_spread: float = 0.2
    crew_taste: float = 0.08
    misread: float = 0.03


@dataclass(frozen=True)
class PlantedCause:
    """What was planted: `kind` and `name` as an explanation would give them.

    `kind` is "nothing" where nothing was. `also` are (kind, name) of other causes that were there
    in exactly the same machines and times, so that nothing could tell them apart.
    """

    kind: str
    name: str
    defect: str
    ratio: float
    excess: int
    since: float
    also: tuple[tuple[str, str], ...] = ()


KINDS = (
    *("moved tool", "coil put back", "crew", "line change", "service", "wear"),
    *("machine", "shift", "hour", "line", "plant", "machine change"),
)


def plant_cause(
    plant: SimulatedPlant,
    kind: str,
    days: int,
    rng: np.random.Generator,
    nuisances: Nuisances | None = None,
) -> tuple[SimulatedPlant, PlantedCause]:
    """Return a plant with a cause of this kind within its last `days`, and the truth about it.

    `kind` is one of `KINDS`, or "nothing". Raises LookupError where the plant has nothing of which
    such a cause could be made.
    """
    uneven = nuisances or Nuisances()
    if kind == "coil put back":
        plant = replace(plant, coils=coil_put_back(plant, days, rng))
    first = plant.clock.seconds - days * DAY_SECONDS
    cause = None if kind == "nothing" else causes_of(plant, kind, first, rng)
    defect = int(rng.integers(3, len(CODES)))  # the first three have stories of their own
    for _attempt in range(40):
        ratio, rate = _strength(plant, cause, rng)
        usual, extra = _levels(plant, cause, ratio, rate, uneven, rng)
        drawn = [_drawn(plant, level, rng) for level in (usual, extra)]
        if cause is None or len(drawn[1][0]) >= LEAST_EXCESS:
            break
    machine, made = (np.concatenate(parts) for parts in zip(*drawn, strict=True))
    machine = _misread(plant, machine, uneven.misread, rng)
    findings = _merged(plant, machine, made, defect, usual.crews, rng)
    if cause is None:
        truth = PlantedCause("nothing", "", CODES[defect], 1.0, 0, 0.0)
    else:
        truth = PlantedCause(
            cause.kind, cause.name, CODES[defect], ratio, len(drawn[1][0]), cause.since, cause.also
        )
    return replace(plant, findings=findings), truth


def _strength(
    plant: SimulatedPlant, cause: Cause | None, rng: np.random.Generator
) -> tuple[float, float]:
    """How many times as much the cause makes, and the usual rate: so that 25 to 70 are in excess.

    Where a thing made too few strokes for that at the highest rate, the ratio grows.
    """
    ratio = float(np.exp(rng.uniform(np.log(2.5), np.log(8.0))))
    if cause is None:
        return 1.0, float(np.exp(rng.uniform(np.log(LOWEST_RATE), np.log(HIGHEST_RATE))))
    wanted = float(rng.uniform(25, 70))
    weight = (cause.acts(plant) * plant.running.strokes).sum() / 1e6
    rate = float(np.clip(wanted / weight / (ratio - 1), LOWEST_RATE, HIGHEST_RATE))
    return max(ratio, 1 + wanted / weight / rate), rate


@dataclass(frozen=True)
class _Level:
    """Entries to be expected by machine and slot, and what each crew reports."""

    expected: FloatArray
    crews: dict[str, float]


def _levels(
    plant: SimulatedPlant,
    cause: Cause | None,
    ratio: float,
    rate: float,
    uneven: Nuisances,
    rng: np.random.Generator,
) -> tuple[_Level, _Level]:
    """What is usual, and what the cause adds to it."""
    clock, running = plant.clock, plant.running
    begins = running.ends[:-1]
    day = (begins // DAY_SECONDS).astype(np.int64)
    machines, days = len(running.strokes), int(day.max()) + 1
    line = np.array([m.line for m in plant.machines]) - 1

    def shocks(variance: float, *shape: int) -> FloatArray:
        return np.asarray(rng.gamma(1 / variance, variance, shape))

    level = rng.gamma(uneven.machine_shape, 1 / uneven.machine_shape, machines)[:, None]
    by_day = shocks(uneven.machine_day, machines, days) * shocks(uneven.plant_day, days)
    by_day = by_day * shocks(uneven.line_day, line.max() + 1, days)[line]
    names = sorted(set(clock.shift_crews))
    crews = {name: float(np.exp(uneven.crew_spread * rng.standard_normal())) for name in names}
    taste = {name: float(np.exp(uneven.crew_taste * rng.standard_normal())) for name in names}
    told = [
        crews[crew] * taste[crew] * SHIFT_REPORTING[shift]
        for crew, shift in zip(clock.shift_crews, clock.shift_names, strict=True)
    ]
    reported = np.array(told)[clock.shift_index(begins)]
    expected = rate / 1e6 * running.strokes * level * by_day[:, day] * reported
    added = np.zeros_like(expected)
    if cause is not None:
        added = expected * cause.acts(plant) * (ratio - 1)
    return _Level(expected, crews), _Level(added, crews)


def _drawn(
    plant: SimulatedPlant, level: _Level, rng: np.random.Generator
) -> tuple[IntArray, IntArray]:
    """Machine and second of each entry drawn."""
    counts = rng.poisson(level.expected)
    machine, slot = np.nonzero(counts)
    many = counts[machine, slot]
    machine, slot = np.repeat(machine, many), np.repeat(slot, many)
    begins = plant.running.ends[slot]
    made = np.minimum(begins + rng.integers(0, 300, len(slot)), plant.clock.seconds - 1)
    return machine, made.astype(np.int64)


def _misread(
    plant: SimulatedPlant, machine: IntArray, share: float, rng: np.random.Generator
) -> IntArray:
    """Machines as read: some as one whose number looks alike, else as a neighbour."""
    read = machine.copy()
    alike = ({"6", "9"}, {"1", "7"}, {"3", "8"}, {"5", "6"}, {"3", "5"}, {"1", "4"})
    for row in np.flatnonzero(rng.random(len(read)) < share).tolist():
        own = plant.machines[read[row]]
        others = [
            place
            for place, one in enumerate(plant.machines)
            if one.line == own.line and one.number != own.number
        ]
        near = [
            place
            for place in others
            if {str(plant.machines[place].number), str(own.number)} in alike
        ]
        if near or others:
            read[row] = int(rng.choice(near or others))
    return read


def _merged(
    plant: SimulatedPlant,
    machine: IntArray,
    made: IntArray,
    defect: int,
    crews: dict[str, float],
    rng: np.random.Generator,
) -> Findings:
    """All entries: other kinds thinned as crews report, and the new ones."""
    old = plant.findings
    clock = plant.clock
    reports = np.array([crews[crew] for crew in clock.shift_crews]) / max(crews.values())
    kept = rng.random(len(old)) < reports[clock.shift_index(old.made)]
    kept = (kept | (old.inspected > 0)) & (old.defect != defect)
    fresh = found_later(machine, np.full(len(machine), defect), made, rng)
    joined = {
        name: np.concatenate([getattr(old, name)[kept], getattr(fresh, name)])
        for name in Findings.__dataclass_fields__
    }
    order = np.lexsort((joined["defect"], joined["machine"], joined["seen"]))
    order = order[joined["logged"][order] < clock.seconds]
    return Findings(**{name: column[order] for name, column in joined.items()})
