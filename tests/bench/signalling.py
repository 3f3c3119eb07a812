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
# Changed series of each plant: of each of these numbers a day the series that are nearest to it.
_BUSY, _OF_EACH = (0.05, 0.15, 0.5, 1.5), 8
# Years of past that delays are told for.
_PASTS = (1, 3)


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


def _ordinary_days(evidence: Evidence, machine: int, defect: int, first: int = _YEAR) -> list[int]:
    """Days on which the ordinary chart calls, limits from the days before."""
    counts, made = _daily(evidence, machine, defect)
    baseline = np.arange(len(counts)) < first
    if not counts[baseline].any():
        return [int(day) for day in np.flatnonzero(counts) if day >= first]
    chart = u_chart(counts, np.maximum(made, 1.0), baseline)
    sigma = (chart.upper - chart.centre) / 3
    standard = np.nan_to_num((chart.statistic - chart.centre) / np.maximum(sigma, 1e-300))
    days = {int(day) for hits in western_electric(standard) for day in hits.points}
    return sorted(day for day in days if day >= first and standard[day] > 0)


def _ordinary_alarms(evidence: Evidence) -> int:
    return sum(
        len(_ordinary_days(evidence, machine, defect))
        for machine in range(evidence.machines)
        for defect in range(len(evidence.defects))
    )


@dataclass(frozen=True)
class Delay:
    """Strokes until a changed rate was told, in millions; None: not within the year.

    `wanted` is the number of entries a day that the series was chosen for.
    """

    ratio: float
    wanted: float
    ours: float | None
    knowing: float | None
    ordinary: float | None


def delays(ratio: float, past_years: int, plants: int = _PLANTS) -> list[Delay]:
    """What it took to tell a rate that rose by a ratio after years in which nothing changed."""
    found = []
    first = past_years * _YEAR
    for seed in range(plants):
        quiet = stream(2000 + seed, 10, _MACHINES, _KINDS)
        chosen = _chosen(quiet)
        changes = [Change(machine, defect, first, ratio) for _wanted, machine, defect in chosen]
        plant = stream(2000 + seed, first + _YEAR, _MACHINES, _KINDS, changes=changes)
        told = replay(plant.evidence)
        threshold = told.epochs[-1].thresholds[Kind.RISE]
        for wanted, machine, defect in chosen:
            rate = float(plant.rates[machine, defect])
            raised = _raised(told.signals, machine, defect)
            if any(start < first * DAY < end for start, end in raised):
                continue  # A false signal was on already, which says nothing of delays.
            alone = _same_false(rate, ratio, threshold)
            found.append(
                Delay(
                    *(ratio, wanted),
                    _first_after(plant, machine, first, [start for start, _end in raised]),
                    _knowing(plant, machine, defect, first, (ratio, alone)),
                    _by_day(plant, machine, defect, first),
                )
            )
    return found


def _chosen(plant: Stream) -> list[tuple[float, int, int]]:
    a_day = plant.rates * STROKES_A_DAY * 0.93
    places = []
    for wanted in _BUSY:
        nearest = np.abs(np.log(a_day / wanted)).ravel().argsort()[:_OF_EACH]
        places += [(wanted, *divmod(at, a_day.shape[1])) for at in nearest.tolist()]
    return places


def _raised(signals: Sequence[FoundSignal], machine: int, defect: int) -> list[tuple[float, float]]:
    return [
        (one.raised_at, math.inf if one.ended_at is None else one.ended_at)
        for one in signals
        if (one.machine, one.defect, one.kind) == (machine, defect, Kind.RISE)
    ]


def _first_after(plant: Stream, machine: int, first: int, moments: Sequence[float]) -> float | None:
    after = [at for at in moments if at >= first * DAY]
    return _strokes_until(plant, machine, first, min(after)) if after else None


def _strokes_until(plant: Stream, machine: int, first: int, at: float) -> float:
    strokes = plant.evidence.strokes[machine]
    assert strokes is not None
    return float(np.diff(strokes.counted_at(np.array([first * DAY, at])))[0]) / 1e6


def _by_day(plant: Stream, machine: int, defect: int, first: int) -> float | None:
    days = _ordinary_days(plant.evidence, machine, defect, first)
    return _strokes_until(plant, machine, first, (days[0] + 1) * DAY) if days else None


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
    plant: Stream, machine: int, defect: int, first: int, watched: tuple[float, float]
) -> float | None:
    """The Poisson CUSUM of the true baseline and ratio, begun long before the change."""
    ratio, threshold = watched
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
            if moment >= first * DAY:
                return _strokes_until(plant, machine, first, moment)
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
    for past_years in _PASTS:
        click.echo()
        _print_delays(past_years, plants)


def _print_delays(past_years: int, plants: int) -> None:
    rows = []
    for ratio in _RISES:
        found = delays(ratio, past_years, plants)
        for wanted in (*_BUSY, None):
            some = [one for one in found if wanted in (None, one.wanted)]
            ours, knowing, ordinary = (
                float(np.mean([_whole_year(getattr(one, name)) for one in some]))
                for name in ("ours", "knowing", "ordinary")
            )
            rows.append(
                [
                    f"{ratio:g}",
                    "all" if wanted is None else f"{wanted:g}",
                    str(len(some)),
                    f"{sum(one.ours is None for one in some)} / "
                    f"{sum(one.knowing is None for one in some)}",
                    *(f"{ours:.1f}", f"{knowing:.1f}", f"{ours / knowing:.2f}"),
                    *(f"{_in_the_middle(some):.2f}", f"{ordinary:.1f}"),
                ]
            )
    print_table(
        (
            *("ratio", "entries a day", "changes", "not told in a year, ours / theirs"),
            *("strokes, millions", "knowing all", "ours / knowing", "in the middle"),
            "three sigma and run rules",
        ),
        rows,
        title=f"Delay until a risen rate is told, after a past of {past_years} years",
    )
