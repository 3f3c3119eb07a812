"""Signals on simulated plants: how often they are false, and how late they come.

Null plants: a year is learned from, the next is counted. Delays: the rate of one machine and kind
of defect rises in the second year, and strokes are counted until it is told: by our own watch;
by a CUSUM that knows the true baseline and the true ratio, with as many false alarms there;
and by the ordinary chart, three-sigma limits on daily counts with the run rules of Western Electric
(1956).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import click
import numpy as np

from tests.trends.signals.streams import STROKES_A_DAY, Change, Stream, stream
from tracelog.stats.attributes import u_chart
from tracelog.stats.inputs import FloatArray
from tracelog.stats.rate_watch import Baselines, false_alarms, threshold_for
from tracelog.stats.run_rules import western_electric
from tracelog.terminal import print_table
from tracelog.trends.signals.evidence import Evidence
from tracelog.trends.signals.replay import FoundSignal, replay
from tracelog.trends.signals.rules import DAY, RATIOS, Kind

_YEAR = 364
_KINDS = 45
_MACHINES = 32
_RISES = (2.0, 3.0, 5.0)
_PLANTS = 4
# Changed series of each plant: those whose usual number a day is nearest to these.
_BUSY = (0.05, 0.15, 0.5, 1.5)


@dataclass(frozen=True)
class NullCounts:
    """Signals a week on plants in which nothing changed, and the ordinary chart's alarms."""

    dispersion: float
    weeks: float
    by_kind: dict[Kind, int]
    ordinary: int

    @property
    def a_week(self) -> float:
        """All kinds together."""
        return sum(self.by_kind.values()) / self.weeks


def null_counts(dispersion: float, plants: int = _PLANTS) -> NullCounts:
    """What plants give in their second year in which nothing changes."""
    found = dict.fromkeys(Kind, 0)
    ordinary = 0
    for seed in range(plants):
        plant = stream(1000 + seed, 2 * _YEAR, _MACHINES, _KINDS, dispersion=dispersion)
        for one in replay(plant.evidence).signals:
            if one.raised_at >= _YEAR * DAY:
                found[one.kind] += 1
        ordinary += _ordinary_alarms(plant.evidence)
    return NullCounts(dispersion, plants * _YEAR / 7, found, ordinary)


def _daily(evidence: Evidence, machine: int, defect: int) -> tuple[FloatArray, FloatArray]:
    own = (evidence.log.machine == machine) & (evidence.log.defect == defect)
    days = (evidence.log.at[own] // DAY).astype(np.intp)
    strokes = evidence.strokes[machine]
    assert strokes is not None
    counts = np.bincount(days, minlength=len(evidence.day_ends) - 1).astype(np.float64)
    return counts, np.diff(strokes.counted_at(evidence.day_ends))


def _ordinary_days(evidence: Evidence, machine: int, defect: int) -> list[int]:
    """Days on which the ordinary chart calls, limits from the first year."""
    counts, made = _daily(evidence, machine, defect)
    baseline = np.arange(len(counts)) < _YEAR
    if not counts[baseline].any():
        return [int(day) for day in np.flatnonzero(counts) if day >= _YEAR]
    chart = u_chart(counts, np.maximum(made, 1.0), baseline)
    sigma = (chart.upper - chart.centre) / 3
    standard = np.nan_to_num((chart.statistic - chart.centre) / np.maximum(sigma, 1e-300))
    days = {int(day) for hits in western_electric(standard) for day in hits.points}
    return sorted(day for day in days if day >= _YEAR and standard[day] > 0)


def _ordinary_alarms(evidence: Evidence) -> int:
    return sum(
        len(_ordinary_days(evidence, machine, defect))
        for machine in range(evidence.machines)
        for defect in range(len(evidence.defects))
    )


@dataclass(frozen=True)
class Delay:
    """Strokes until a changed rate was told, in millions; None: not within the year."""

    ratio: float
    a_day: float
    ours: float | None
    knowing: float | None
    ordinary: float | None


def delays(ratio: float, plants: int = _PLANTS) -> list[Delay]:
    """What it took to tell a rate that rose by a ratio when the second year began."""
    found = []
    for seed in range(plants):
        quiet = stream(2000 + seed, 10, _MACHINES, _KINDS)
        chosen = _chosen(quiet)
        changes = [Change(machine, defect, _YEAR, ratio) for machine, defect in chosen]
        plant = stream(2000 + seed, 2 * _YEAR, _MACHINES, _KINDS, changes=changes)
        told = replay(plant.evidence)
        threshold = told.epochs[-1].thresholds[Kind.RISE]
        for machine, defect in chosen:
            rate = float(plant.rates[machine, defect])
            found.append(
                Delay(
                    ratio,
                    rate * STROKES_A_DAY * 0.93,
                    _ours(plant, told.signals, machine, defect),
                    _knowing(plant, machine, defect, ratio, _same_false(rate, ratio, threshold)),
                    _by_day(plant, machine, defect),
                )
            )
    return found


def _chosen(plant: Stream) -> list[tuple[int, int]]:
    a_day = plant.rates * STROKES_A_DAY * 0.93
    places = []
    for wanted in _BUSY:
        at = int(np.abs(np.log(a_day / wanted)).argmin())
        places.append((at // a_day.shape[1], at % a_day.shape[1]))
    return places


def _ours(plant: Stream, signals: Sequence[FoundSignal], machine: int, defect: int) -> float | None:
    at = [
        one.raised_at
        for one in signals
        if (one.machine, one.defect, one.kind) == (machine, defect, Kind.RISE)
        and one.raised_at >= _YEAR * DAY
    ]
    return _strokes_until(plant, machine, min(at)) if at else None


def _strokes_until(plant: Stream, machine: int, at: float) -> float:
    strokes = plant.evidence.strokes[machine]
    assert strokes is not None
    return float(np.diff(strokes.counted_at(np.array([_YEAR * DAY, at])))[0]) / 1e6


def _by_day(plant: Stream, machine: int, defect: int) -> float | None:
    days = _ordinary_days(plant.evidence, machine, defect)
    return _strokes_until(plant, machine, (days[0] + 1) * DAY) if days else None


def _same_false(rate: float, ratio: float, threshold: float) -> float:
    """Threshold of the one that knows with as few false alarms as ours in this series.

    Three ratios are watched in ours; of one alone the same number comes at a threshold that is
    lower by what the others add, found by simulation of this series with both.
    """
    copies = 4000
    own = Baselines(np.full(copies, 1e7), np.full(copies, 1e7 / rate), np.ones(copies))
    a_day = np.full(copies, STROKES_A_DAY * 0.93)
    tried = [2.5, 3.5]
    ours = false_alarms(own, a_day, RATIOS[Kind.RISE], tried, 120, 5)
    alone = false_alarms(own, a_day, [ratio], tried, 120, 5)
    if not ours.all() or not alone.all():
        return threshold
    # Beyond what can be simulated both go on falling by a factor of e for each unit.
    far = ours[-1] * math.exp(-(threshold - tried[-1]))
    return max(threshold_for([alone[-1], alone[-1] / math.e], [3.5, 4.5], float(far)), 2.0)


def _knowing(
    plant: Stream, machine: int, defect: int, ratio: float, threshold: float
) -> float | None:
    """The Poisson CUSUM of the true baseline and ratio, begun long before the change."""
    evidence = plant.evidence
    own = (evidence.log.machine == machine) & (evidence.log.defect == defect)
    strokes = evidence.strokes[machine]
    assert strokes is not None
    at = evidence.log.at[own]
    made = np.diff(strokes.counted_at(np.concatenate(([0.0], at))))
    rate, value = float(plant.rates[machine, defect]), 0.0
    for moment, exposure in zip(at.tolist(), made.tolist(), strict=True):
        value = max(0.0, value - (ratio - 1) * rate * exposure) + math.log(ratio)
        if value >= threshold:
            if moment >= _YEAR * DAY:
                return _strokes_until(plant, machine, moment)
            value = 0.0
    return None


def _in_the_middle(found: Sequence[Delay]) -> float:
    """Median of our delay over that of the one that knows, where both told it."""
    told = [
        one.ours / one.knowing
        for one in found
        if one.ours is not None and one.knowing is not None and one.knowing > 0
    ]
    return float(np.median(told))


def _whole_year(delay: float | None) -> float:
    """What is not told within the year counts as a year."""
    return _YEAR * STROKES_A_DAY * 0.9 / 1e6 if delay is None else delay


def print_signalling(plants: int = _PLANTS) -> None:
    """Print both tables."""
    rows = []
    for dispersion in (1.0, 2.0):
        one = null_counts(dispersion, plants)
        rows.append(
            [
                f"{dispersion:g}",
                f"{one.weeks:.0f}",
                *(f"{one.by_kind[kind] / one.weeks:.2f}" for kind in Kind),
                f"{one.a_week:.2f}",
                f"{one.ordinary / one.weeks:.1f}",
            ]
        )
    columns = ("variance over mean", "weeks", *Kind, "together", "three sigma and run rules")
    print_table(columns, rows, title="False signals a week; the budget is 1")
    rows = []
    for ratio in _RISES:
        found = delays(ratio, plants)
        ours, knowing, ordinary = (
            float(np.mean([_whole_year(getattr(one, name)) for one in found]))
            for name in ("ours", "knowing", "ordinary")
        )
        rows.append(
            [
                f"{ratio:g}",
                str(len(found)),
                f"{sum(one.ours is None for one in found)} / "
                f"{sum(one.knowing is None for one in found)}",
                f"{ours:.1f}",
                f"{knowing:.1f}",
                f"{ours / knowing:.2f}",
                f"{_in_the_middle(found):.2f}",
                f"{ordinary:.1f}",
            ]
        )
    click.echo()
    print_table(
        (
            *("ratio", "changes", "not told in a year", "strokes, millions", "knowing all"),
            *("ours / knowing", "in the middle", "three sigma and run rules"),
        ),
        rows,
        title="Delay until a risen rate is told",
    )
