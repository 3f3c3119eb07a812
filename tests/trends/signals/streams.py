"""Plants as streams of entries and strokes, of which everything is known: null ones and changed.

Invented: rates, spreads and strokes are only like those of a plant.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracelog.stats.inputs import FloatArray
from tracelog.trends.signals.evidence import Evidence, Log, MachineStrokes
from tracelog.trends.signals.rules import DAY

STROKES_A_DAY = 600_000.0
_RUNS = 0.93


@dataclass(frozen=True)
class Change:
    """From a day on a machine's rate of a kind of defect is so many times what it was."""

    machine: int
    defect: int
    day: int
    ratio: float


@dataclass(frozen=True)
class Stream:
    """A plant's evidence, and the true rates an hour of running strokes behind it.

    `rates`: per stroke, machines by kinds of defect.
    """

    evidence: Evidence
    rates: FloatArray


def stream(
    seed: int,
    days: int,
    machines: int = 32,
    defects: int = 45,
    entries_a_day: float = 150.0,
    dispersion: float = 1.0,
    changes: Sequence[Change] = (),
) -> Stream:
    """A plant that runs for so many days; counts of a day vary so much more than chance does."""
    random = np.random.default_rng(seed)
    usual = random.lognormal(-3.5, 1.5, defects)
    usual *= entries_a_day / (usual.sum() * machines)
    a_day = usual[None] * random.gamma(4, 1 / 4, (machines, defects))
    edges = np.arange(days * 24 + 1, dtype=np.float64) * 3600
    strokes = []
    for _machine in range(machines):
        running = (random.random(days * 24) < _RUNS) * random.uniform(0.9, 1.05, days * 24)
        found = MachineStrokes.of(edges, STROKES_A_DAY / 24 * running)
        assert found is not None
        strokes.append(found)
    midnights = np.arange(days + 1, dtype=np.float64) * DAY
    made = np.array([np.diff(one.at(midnights)) for one in strokes])
    rates = a_day / STROKES_A_DAY / _RUNS
    mean = rates[:, :, None] * made[:, None, :]
    for change in changes:
        mean[change.machine, change.defect, change.day :] *= change.ratio
    if dispersion > 1:
        over = dispersion - 1
        mean = random.gamma(np.maximum(mean / over, 1e-300)) * over
    log = _log(random.poisson(mean), strokes, random)
    kinds = tuple(f"kind {number}" for number in range(defects))
    end = days * DAY
    return Stream(Evidence(machines, kinds, log, tuple(strokes), midnights, end, end), rates)


def _log(
    counts: "np.ndarray[tuple[int, ...], np.dtype[np.int64]]",
    strokes: Sequence[MachineStrokes],
    random: np.random.Generator,
) -> Log:
    """Entries of each day, wherever in its strokes."""
    where = np.nonzero(counts)
    machine, defect, day = (np.repeat(one, counts[where]) for one in where)
    at = np.zeros(len(machine))
    share = random.random(len(machine))
    for place, own in enumerate(strokes):
        mine = machine == place
        low, high = own.at(day[mine] * DAY), own.at((day[mine] + 1) * DAY)
        at[mine] = np.interp(low + share[mine] * (high - low), own.totals, own.edges)
    order = np.argsort(at, kind="stable")
    at = at[order]
    return Log(machine[order], defect[order], at, at, np.ones(len(at)))
