"""How late signals come: strokes from a rise of a rate until it is told, on simulated plants.

After one year of past, or three, the rates of some machines and kinds of defect rise. Told by our
own watch; by a CUSUM that knows the true baseline and the true ratio, with as many false alarms
in series like that; by one that is told the ratio but must learn the baseline from what we learn
it from; and by the ordinary chart. What is not told within a year counts as a year, for all alike.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from tests.bench.ordinary_chart import ordinary_days
from tests.trends.signals.streams import STROKES_A_DAY, Change, Stream, stream
from tracelog.stats.inputs import FloatArray
from tracelog.stats.rate_watch import Baselines, WatchState, false_alarms, watch
from tracelog.stats.watch_limits import threshold_for
from tracelog.terminal import print_table
from tracelog.trends.signals.baselines import Learned, learn
from tracelog.trends.signals.replay import FoundSignal, replay
from tracelog.trends.signals.rules import DAY, HANDICAPS, RATIOS, Kind

YEAR = 364
RATIOS_TRIED = (2.0, 3.0, 5.0)
# Changed series of each plant: nearest to each of these numbers of entries a day, and of those so
# many for each ratio.
_BUSY, _OF_EACH = (0.05, 0.15, 0.5, 1.5), 16
# Years of past that delays are told for, and plants of each.
PASTS = (1, 3)
PLANTS = 10
# Series that are simulated to find the thresholds with which others have as many false alarms,
# events of each, and the threshold of ours at which they are held against each other.
_COPIES, _EVENTS, _HELD_AT = 2500, 60, 6.0
_A_DAY = STROKES_A_DAY * 0.93


@dataclass(frozen=True)
class Delay:
    """Strokes until a changed rate was told, in millions; None: not within the year.

    `wanted` is the number of entries a day that the series was chosen for, `a_day` its own.
    """

    ratio: float
    wanted: float
    a_day: float
    ours: float | None
    knowing: float | None
    learning: float | None
    ordinary: float | None


@dataclass(frozen=True)
class _Changed:
    machine: int
    defect: int
    ratio: float
    wanted: float


@dataclass(frozen=True)
class _Told:
    """When one of the others told a change, and whether a false alarm of it was on before."""

    was_on: bool
    delay: float | None


def delays(seed: int, past_years: int, with_ordinary: bool = True) -> list[Delay]:
    """What it took on one plant to tell rates that rose after years in which nothing changed."""
    first = past_years * YEAR
    chosen = _chosen(stream(seed, 10))
    changes = [Change(one.machine, one.defect, first, one.ratio) for one in chosen]
    plant = stream(seed, first + YEAR, changes=changes)
    told = replay(plant.evidence)
    epoch = next(one for one in reversed(told.epochs) if one.starts_at <= first * DAY)
    threshold = epoch.thresholds[Kind.RISE]
    found = []
    for one in chosen:
        raised = _raised(told.signals, one.machine, one.defect)
        if any(start < first * DAY < end for start, end in raised):
            continue  # A false signal was on already; so it is done for the others, below.
        apart = _apart(past_years, one.wanted, one.ratio)
        rate = float(plant.rates[one.machine, one.defect])
        ordinary = None
        if with_ordinary:
            days = ordinary_days(plant.evidence, one.machine, one.defect, first)
            ordinary = _strokes_until(plant, one.machine, first, (days or [first + YEAR])[0] + 1.0)
        exact = Baselines(np.array([1e9]), np.array([1e9 / rate]), np.ones(1))
        learned = _own(epoch.learned, one)
        knowing = _alone(plant, one, first, exact, threshold + apart[0])
        learning = _alone(plant, one, first, learned, threshold + apart[1])
        if knowing.was_on or learning.was_on:
            continue
        found.append(
            Delay(
                *(one.ratio, one.wanted, rate * _A_DAY),
                _first_after(plant, one.machine, first, [start for start, _end in raised]),
                *(knowing.delay, learning.delay, ordinary),
            )
        )
    return found


def _own(learned: Learned, one: _Changed) -> Baselines:
    return learned.of(np.array([one.machine]), np.array([one.defect]))


def _chosen(plant: Stream) -> list[_Changed]:
    """Series by how often they are seen in truth; each is chosen once."""
    a_day = plant.rates * _A_DAY
    places = []
    taken: set[int] = set()
    for wanted in _BUSY:
        nearest = np.abs(np.log(a_day / wanted)).ravel().argsort().tolist()
        own = [at for at in nearest if at not in taken][: _OF_EACH * len(RATIOS_TRIED)]
        taken.update(own)
        for number, at in enumerate(own):
            ratio = RATIOS_TRIED[number % len(RATIOS_TRIED)]
            machine, defect = divmod(at, a_day.shape[1])
            places.append(_Changed(machine, defect, ratio, wanted))
    return places


def _raised(signals: Sequence[FoundSignal], machine: int, defect: int) -> list[tuple[float, float]]:
    return [
        (one.raised_at, math.inf if one.ended_at is None else one.ended_at)
        for one in signals
        if (one.machine, one.defect, one.kind) == (machine, defect, Kind.RISE)
    ]


def _first_after(plant: Stream, machine: int, first: int, moments: Sequence[float]) -> float | None:
    after = [at for at in moments if at >= first * DAY]
    return _strokes_until(plant, machine, first, min(after) / DAY) if after else None


def _strokes_until(plant: Stream, machine: int, first: int, day: float) -> float:
    strokes = plant.evidence.strokes[machine]
    assert strokes is not None
    return float(np.diff(strokes.counted_at(np.array([first, day]) * DAY))[0]) / 1e6


def _alone(
    plant: Stream, one: _Changed, first: int, baselines: Baselines, threshold: float
) -> _Told:
    """A CUSUM of one ratio with a baseline, begun half a year before the change."""
    evidence = plant.evidence
    log, strokes = evidence.log, evidence.strokes[one.machine]
    assert strokes is not None
    start = (first - YEAR // 2) * DAY
    own = (log.machine == one.machine) & (log.defect == one.defect) & (log.at >= start)
    at = log.at[own]
    made = np.diff(strokes.counted_at(np.concatenate(([start], at))))
    alarms = watch(
        *(np.ones((1, len(at))), made[None], at[None], baselines, [one.ratio]),
        *(max(threshold, 2.0), WatchState.at(start, 1, 1)),
    )
    before = [alarm for alarm in alarms if at[alarm.step] < first * DAY]
    moments = [float(at[alarm.step]) for alarm in alarms if not alarm.is_end]
    was_on = bool(before) and not before[-1].is_end
    return _Told(was_on, _first_after(plant, one.machine, first, moments))


@cache
def _apart(past_years: int, wanted: float, ratio: float) -> tuple[float, float]:
    """What the threshold of one that knows all, and of one that knows the ratio, is above ours.

    With it they raise as many false alarms in series like that, whose rates are drawn from
    baselines that were learned on other plants after so many years.
    """
    own = _like(past_years, wanted)
    series = np.arange(_COPIES) % len(own.shape)
    own = own.of(series)
    days = int(min(max(_EVENTS / wanted, 120), YEAR * 10 / 9))
    a_day = np.full(_COPIES, _A_DAY)
    rises = RATIOS[Kind.RISE]
    ours = false_alarms(
        own, a_day, rises, [_HELD_AT], days, 5, handicaps=HANDICAPS[Kind.RISE]
    ).item()
    rate = np.random.default_rng(9).gamma(own.shape) / own.exposure
    exact = Baselines(np.full(_COPIES, 1e9), 1e9 / rate, np.ones(_COPIES))
    found = []
    for baselines in (exact, own):
        tried = [_HELD_AT - 2.0, _HELD_AT - 1.0, _HELD_AT]
        alone = false_alarms(baselines, a_day, [ratio], tried, days, 6)
        found.append(threshold_for(alone, tried, ours) - _HELD_AT)
    return found[0], found[1]


@cache
def _like(past_years: int, wanted: float) -> Baselines:
    """Baselines of series that are seen so often, learned on two plants after so many years."""
    parts = []
    for learned, rates in _others(past_years):
        nearest = np.abs(np.log(rates * _A_DAY / wanted)).ravel().argsort()[: 2 * _OF_EACH]
        parts.append(learned.of(*np.divmod(nearest, rates.shape[1])))
    shape, exposure, over = (
        np.concatenate([getattr(one, name) for one in parts])
        for name in ("shape", "exposure", "dispersion")
    )
    return Baselines(shape, exposure, over)


@cache
def _others(past_years: int) -> list[tuple[Learned, FloatArray]]:
    found = []
    for seed in (9001, 9002):
        plant = stream(seed, past_years * YEAR)
        found.append((learn(plant.evidence, past_years * YEAR * DAY, ()), plant.rates))
    return found


def _whole_year(delay: float | None) -> float:
    """What is not told within the year counts as a year."""
    year = YEAR * STROKES_A_DAY * 0.907 / 1e6
    return year if delay is None else min(delay, year)


def quotient(ours: Sequence[float], theirs: Sequence[float]) -> tuple[float, float]:
    """Quotient of two means over the same changes, and its standard error (delta method)."""
    one, other = np.asarray(ours), np.asarray(theirs)
    found = float(one.mean() / other.mean())
    error = float(np.std(one - found * other, ddof=1) / math.sqrt(len(one)) / other.mean())
    return found, error


def print_delays(past_years: int, plants: int = PLANTS, first_seed: int = 6000) -> None:
    """Print the table of one length of past."""
    every = [
        one
        for seed in range(first_seed, first_seed + plants)
        for one in delays(seed, past_years, with_ordinary=seed < first_seed + 2)
    ]
    rows = []
    for ratio in RATIOS_TRIED:
        for wanted in (*_BUSY, None):
            some = [one for one in every if one.ratio == ratio and wanted in (None, one.wanted)]
            rows.append(_row(ratio, wanted, some))
    print_table(
        (
            *("ratio", "entries a day", "changes", "not told, ours / knowing"),
            *("ours", "knowing", "ours / knowing", "middle", "ratio told / knowing", "ordinary"),
        ),
        rows,
        title=f"Million strokes until a rise is told, after a past of {past_years} years",
    )


def _row(ratio: float, wanted: float | None, some: Sequence[Delay]) -> list[str]:
    ours = [_whole_year(one.ours) for one in some]
    knowing = [_whole_year(one.knowing) for one in some]
    learning = [_whole_year(one.learning) for one in some]
    ordinary = [one.ordinary for one in some if one.ordinary is not None]
    of_ours, of_learning = quotient(ours, knowing), quotient(learning, knowing)
    middle = np.median([a / b for a, b in zip(ours, knowing, strict=True) if b > 0])
    return [
        f"{ratio:g}",
        "all" if wanted is None else f"{wanted:g} ({np.mean([one.a_day for one in some]):.2f})",
        str(len(some)),
        f"{sum(one.ours is None for one in some)} / {sum(one.knowing is None for one in some)}",
        *(f"{np.mean(ours):.1f}", f"{np.mean(knowing):.1f}"),
        f"{of_ours[0]:.2f} ± {of_ours[1]:.2f}",
        f"{middle:.2f}",
        f"{of_learning[0]:.2f} ± {of_learning[1]:.2f}",
        f"{np.mean(ordinary):.1f}" if ordinary else "",
    ]
