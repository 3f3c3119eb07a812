"""Holds on simulated incidents of which the truth is known: what is missed, and held in vain.

A line is run by `flow`, which knows nothing of the model under test. An incident is a machine and a
window of making; the hold is told the window as people would write it down (a few minutes off),
strokes as read once an hour, and the pallets with their times. It is judged by the cans.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import click
import numpy as np
import numpy.typing as npt

from tests.bench.flow import CANS_PER_PALLET, FilledPallet, Flow, flow
from tracelog.terminal import print_table
from tracelog.trace.suspects.spreading import Edges, Making, Spread, spread_over
from tracelog.trace.transit import Way, usual_way

FloatArray = npt.NDArray[np.float64]

RISKS = (0.001, 0.01, 0.05, 0.20)
PLANT_MINUTES = (20, 95)
_DAY = 1440
# Times of a window are written down this much off, at most (minutes).
_OFF = 4.0
_AFTER = 2 * _DAY


@dataclass(frozen=True)
class Incident:
    """A machine's window of making in minutes: as it was, and as people wrote it down."""

    machine: int
    true: tuple[float, float]
    told: tuple[float, float]


@dataclass(frozen=True)
class Judged:
    """One incident under one way: what was said of each pallet, and what lay on it."""

    spread: Spread
    suspect: npt.NDArray[np.int64]
    cans: int
    naive: int


@dataclass
class Score:
    """All incidents at one accepted risk."""

    incidents: int = 0
    pallets: int = 0
    cans: int = 0
    in_vain: int = 0
    suspect: int = 0
    missed: int = 0
    stated_missed: float = 0.0
    not_held: int = 0
    not_held_wrongly: int = 0
    worst: float = 0.0
    with_misses: int = field(default=0)


def learned_way(run: Flow, count: int, days: tuple[int, int], seed: int) -> Way:
    """A way as it is learned from cans whose making and pallet are known."""
    rng = np.random.default_rng(seed)
    inside = [one for one in run.pallets if days[0] * _DAY < one.start < days[1] * _DAY]
    took = []
    for place in rng.integers(0, len(inside), count):
        one = inside[place]
        made = one.first + rng.choice(len(one.cans), p=one.cans / one.cans.sum()) + rng.random()
        took.append(rng.uniform(one.start, one.end) - made)
    edges = np.linspace(*PLANT_MINUTES, 26)
    low, high = min(took), max(took)
    edges = np.unique(np.r_[min(low, edges[0]) - 0.5, edges, max(high, edges[-1]) + 0.5])
    counts = np.histogram(took, edges)[0] + 1.0 / len(edges)
    return Way(edges, counts / counts.sum(), "", count)


def incidents(run: Flow, count: int, days: tuple[int, int], seed: int) -> Iterator[Incident]:
    """Windows from half an hour to a day, on any machine that ran in them."""
    rng = np.random.default_rng(seed)
    found = 0
    while found < count:
        machine = int(rng.integers(len(run.strokes)))
        start = float(rng.uniform(days[0] * _DAY, (days[1] - 3) * _DAY))
        end = start + float(np.exp(rng.uniform(np.log(30), np.log(_DAY))))
        if run.strokes[machine, int(start) : int(end) + 1].sum() < 500:
            continue
        found += 1
        off = rng.uniform(-_OFF, _OFF, 2)
        yield Incident(machine, (start, end), (start + off[0], max(end + off[1], start + off[0])))


def _read_hourly(each: FloatArray, first: int, last: int) -> FloatArray:
    """Strokes until each minute as they are told from readings once an hour."""
    whole = np.concatenate([[0.0], np.cumsum(each)])
    read_at = np.arange(first // 60 * 60, last // 60 * 60 + 61, 60)
    read_at = read_at[(read_at >= 0) & (read_at < len(whole))]
    return np.interp(np.arange(first, last + 1), read_at, whole[read_at])


def true_suspects(
    run: Flow, incident: Incident, pallets: Sequence[FilledPallet], rng: np.random.Generator
) -> npt.NDArray[np.int64]:
    """Suspect cans on each pallet: cans of a minute are anybody's by its strokes."""
    making = run.strokes.sum(axis=0)
    share = np.divide(
        run.strokes[incident.machine], making, out=np.zeros_like(making), where=making > 0
    )
    minutes = np.arange(len(making), dtype=float)
    within = np.clip(np.minimum(minutes + 1, incident.true[1]) - np.maximum(
        minutes, incident.true[0]), 0.0, 1.0)
    chance = share * within
    found = np.zeros(len(pallets), dtype=np.int64)
    for place, one in enumerate(pallets):
        inside = chance[one.first : one.first + len(one.cans)]
        if inside.any():
            whole = np.floor(one.cans + rng.random(len(one.cans))).astype(np.int64)
            found[place] = rng.binomial(whole, inside).sum()
    return found


def judge(run: Flow, incident: Incident, way: Way, rng: np.random.Generator) -> Judged:
    """Ask the model about one incident, and count the cans."""
    start, end = incident.told
    until = end + _AFTER
    pallets = [one for one in run.pallets if one.end >= start - 60 and one.start <= until]
    first, last = max(0, int(start) - 600), min(int(until) + 60, run.strokes.shape[1] - 1)
    making = Making(
        np.arange(first, last + 1, dtype=float),
        _read_hourly(run.strokes[incident.machine], first, last),
        _read_hourly(run.strokes.sum(axis=0), first, last),
    )
    fillings = (
        np.array([one.start for one in pallets]),
        np.array([one.end for one in pallets]),
        np.full(len(pallets), float(CANS_PER_PALLET)),
    )
    spread = spread_over(making, Edges(start, end, 5.0, 5.0), fillings, way)
    naive = sum(one.end >= start for one in pallets)
    suspect = true_suspects(run, incident, pallets, rng)
    return Judged(spread, suspect, CANS_PER_PALLET, naive)


def score(judged: Sequence[Judged], risk: float) -> Score:
    """What a hold at one accepted risk did over all incidents."""
    found = Score()
    for one in judged:
        held = 1.0 - one.spread.none > risk
        missed = int(one.suspect[~held].sum())
        total = int(one.suspect.sum())
        near = ~held & (one.spread.none < 1.0 - 1e-6)
        found.incidents += 1
        found.pallets += int(held.sum())
        found.cans += int(held.sum()) * one.cans
        found.in_vain += int((one.suspect[held] == 0).sum())
        found.suspect += total
        found.missed += missed
        found.stated_missed += float(one.spread.expected[~held].sum())
        found.not_held += int(near.sum())
        found.not_held_wrongly += int((one.suspect[~held] > 0).sum())
        found.worst = max(found.worst, missed / max(total, 1))
        found.with_misses += missed > 0
    return found
