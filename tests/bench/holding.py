"""Holds on simulated incidents of which the truth is known: what is missed, and held in vain.

A line is run by `flow`, which knows nothing of the model under test. An incident is a machine and a
window of making; the hold is told the window as people would write it down (a few minutes off),
strokes as read once an hour, and the pallets with their times. It is judged by the cans.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import click
import numpy as np
import numpy.typing as npt

from tests.bench.flow import CANS_PER_PALLET, FilledPallet, Flow, flow
from tracelog.terminal import print_table
from tracelog.trace.suspects.rules import RISKS
from tracelog.trace.suspects.spreading import Edges, Making, Spread, spread_over
from tracelog.trace.transit import Way, usual_way
from tracelog.trace.transit_learning import PALLETISER, Delay, learned_ways

FloatArray = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

PLANT_MINUTES = (20, 95)
INCIDENTS = 500
# Lines differ in how many cans their accumulators keep in corners.
CAUGHT = (0.001, 0.002, 0.003, 0.004, 0.005)
# Cans whose time of making and pallet are known, from the days before.
LEARNED_FROM = 100
_LEARNING_DAYS, _INCIDENT_DAYS, _DAYS = (1, 10), (11, 29), 30
_HOUR, _DAY = 60, 1440
# Times of a window are written down this much off, at most (minutes).
_OFF = 4.0
# The question is asked so long after the repair.
_ASKED_AFTER = 12 * _HOUR
_STATED = (0.0, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 0.999)


@dataclass(frozen=True)
class Incident:
    """A machine's window of making in minutes: as it was, and as people wrote it down."""

    machine: int
    true: tuple[float, float]
    told: tuple[float, float]


@dataclass(frozen=True)
class Judged:
    """One incident under one way: what was said of each pallet, and what lay on it.

    `between`: pallets of the rule "filled between the shortest and the longest way".
    """

    spread: Spread
    suspect: Counts
    between: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Score:
    """All incidents under one rule.

    Attributes:
        held, in_vain: pallets, and those of them on which not one suspect can lay.
        suspect, missed, stated: cans: suspect, missed, and said to be missed.
        worst: the largest share of an incident's suspect cans that was missed.
        left, left_wrongly: pallets that might have held one by the model and were left free, and
            those of all left free that did hold one.
    """

    held: int
    in_vain: int
    suspect: int
    missed: int
    stated: float
    worst: float
    left: int
    left_wrongly: int


def learned_way(run: Flow, count: int, days: tuple[int, int], seed: int) -> Way:
    """A way as it is learned from cans whose making and pallet are known."""
    rng = np.random.default_rng(seed)
    inside = [one for one in run.pallets if days[0] * _DAY < one.start < days[1] * _DAY]
    took = []
    for place in rng.integers(0, len(inside), count):
        one = inside[place]
        made = one.first + rng.choice(len(one.cans), p=one.cans / one.cans.sum()) + rng.random()
        took.append(rng.uniform(one.start, one.end) - made)
    delays = [Delay(PALLETISER, one) for one in took]
    return learned_ways({0: delays}, usual_way(PLANT_MINUTES))[0]


def incidents(run: Flow, count: int, days: tuple[int, int], seed: int) -> Iterator[Incident]:
    """Windows from half an hour to a day, on any machine that ran in them."""
    rng = np.random.default_rng(seed)
    found = 0
    while found < count:
        machine = int(rng.integers(len(run.strokes)))
        start = float(rng.uniform(days[0] * _DAY, (days[1] - 2) * _DAY))
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
    within = np.clip(
        np.minimum(minutes + 1, incident.true[1]) - np.maximum(minutes, incident.true[0]), 0.0, 1.0
    )
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
    until = end + _ASKED_AFTER
    pallets = [one for one in run.pallets if one.end >= start - _HOUR and one.end <= until]
    first, last = max(0, int(start) - 10 * _HOUR), min(int(until), run.strokes.shape[1] - 1)
    making = Making(
        np.arange(first, last + 1, dtype=float),
        _read_hourly(run.strokes[incident.machine], first, last),
        _read_hourly(run.strokes.sum(axis=0), first, last),
    )
    starts = np.array([one.start for one in pallets])
    ends = np.array([one.end for one in pallets])
    cans = np.full(len(pallets), float(CANS_PER_PALLET))
    return Judged(
        spread_over(making, Edges(start, end, 5.0, 5.0), (starts, ends, cans), way),
        true_suspects(run, incident, pallets, rng),
        (ends >= start + PLANT_MINUTES[0]) & (starts <= end + PLANT_MINUTES[1]),
    )


def judged_incidents(
    runs: Sequence[Flow],
    count: int,
    learned: bool,
    days: tuple[int, int] = _INCIDENT_DAYS,
    seed: int = 0,
) -> list[Judged]:
    """So many incidents in those days, shared out over the lines, each under its line's way."""
    found = []
    for place, run in enumerate(runs):
        way = usual_way(PLANT_MINUTES)
        if learned:
            way = learned_way(run, LEARNED_FROM, _LEARNING_DAYS, seed + place)
        rng = np.random.default_rng([seed, place])
        asked = incidents(run, count // len(runs), days, seed + place)
        found += [judge(run, one, way, rng) for one in asked]
    return found


def score(judged: Sequence[Judged], held: Sequence[npt.NDArray[np.bool_]]) -> Score:
    """What holding some pallets of each incident did."""
    pairs = list(zip(judged, held, strict=True))
    missed = [int(one.suspect[~kept].sum()) for one, kept in pairs]
    whole = [int(one.suspect.sum()) for one in judged]
    return Score(
        held=sum(int(kept.sum()) for kept in held),
        in_vain=sum(int((one.suspect[kept] == 0).sum()) for one, kept in pairs),
        suspect=sum(whole),
        missed=sum(missed),
        stated=sum(float(one.spread.expected[~kept].sum()) for one, kept in pairs),
        worst=max(part / max(all_of_it, 1) for part, all_of_it in zip(missed, whole, strict=True)),
        left=sum(int((~kept & (one.spread.none < 1)).sum()) for one, kept in pairs),
        left_wrongly=sum(int((one.suspect[~kept] > 0).sum()) for one, kept in pairs),
    )


def at_risk(judged: Sequence[Judged], risk: float) -> list[npt.NDArray[np.bool_]]:
    """The pallets of each incident that are held at an accepted risk."""
    return [1.0 - one.spread.none > risk for one in judged]


def stated_and_true(judged: Sequence[Judged]) -> list[tuple[float, float, int, float, float]]:
    """By what was stated as the chance of none: from, to, pallets, mean stated, share true."""
    none = np.concatenate([one.spread.none for one in judged])
    true = np.concatenate([one.suspect == 0 for one in judged])
    found = []
    for low, high in zip(_STATED, (*_STATED[1:], 1.0), strict=True):
        inside = (none >= low) & (none < high)
        if inside.any():
            figures = float(none[inside].mean()), float(true[inside].mean())
            found.append((low, high, int(inside.sum()), *figures))
    return found


def _row(name: str, one: Score, incidents_count: int) -> tuple[str, ...]:
    return (
        name,
        f"{one.held / incidents_count:.1f}",
        f"{one.in_vain / incidents_count:.1f}",
        f"{100 * (one.suspect - one.missed) / max(one.held * CANS_PER_PALLET, 1):.1f} %",
        f"{100 * one.missed / one.suspect:.4f} %",
        f"{100 * one.stated / one.suspect:.4f} %",
        f"{100 * one.worst:.3f} %",
        f"{one.left_wrongly} of {one.left}",
    )


def print_holding(count: int = INCIDENTS) -> None:
    """Print what holds at each accepted risk missed and held in vain."""
    runs = [flow(place, _DAYS, caught=caught) for place, caught in enumerate(CAUGHT)]
    for learned in (False, True):
        judged = judged_incidents(runs, count, learned)
        number = len(judged)
        everything = [np.ones(len(one.suspect), dtype=np.bool_) for one in judged]
        rows = [
            _row("plain rule", score(judged, everything), number),
            _row("shortest to longest", score(judged, [one.between for one in judged]), number),
            *(
                _row(f"risk {100 * risk:g} %", score(judged, at_risk(judged, risk)), number)
                for risk in RISKS
            ),
            _row("knowing the truth", score(judged, [one.suspect > 0 for one in judged]), number),
        ]
        way = f"learned from {LEARNED_FROM} cans" if learned else "the plant's minutes"
        print_table(
            (
                *("rule", "held", "in vain", "suspect", "missed", "said to be missed"),
                *("worst incident", "left free wrongly"),
            ),
            rows,
            title=f"{number} incidents; way: {way}; pallets per incident",
        )
        print_table(
            ("stated chance of none", "pallets", "mean stated", "true"),
            [
                (f"{low:g} to {high:g}", f"{pallets:,}", f"{stated:.3f}", f"{true:.3f}")
                for low, high, pallets, stated, true in stated_and_true(judged)
            ],
            title="what was stated, and what was so",
        )
    click.echo("plain rule: everything of the line since the last good check, asked 12 hours after")
