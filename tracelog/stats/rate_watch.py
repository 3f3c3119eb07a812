"""Watching many rates whose baselines are known from a past of limited length only.

A likelihood-ratio CUSUM that is told the true baseline raises false alarms where the baseline is
only estimated. Here the baseline of each series is a gamma distribution, and the evidence for a
changed rate is the ratio of the marginal likelihoods, in which the baseline is averaged out: a
short past makes the watch slow, never rash.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    BoolArray,
    FloatArray,
    IntArray,
    as_amounts,
    as_series,
    one_number,
    require,
)
from tracelog.stats.watch_limits import limits

# A changed rate is back when the evidence for its baseline is a hundred to one.
BACK = float(np.log(100))
# Against a ratio of at least so much: a small one would take years to be refuted, and hide others.
_PLAINLY = 2.0
# Into so many groups series are put when false alarms are simulated.
_GROUPS, _LEAST_IN_GROUP = 6, 100


@dataclass(frozen=True)
class Baselines:
    """What is known of the rates of many series: for each a gamma of its `shape` and `exposure`.

    The expected rate is shape / exposure. `dispersion` is variance over mean of the counts, 1 for
    Poisson counts: counts and exposures are divided by it before they weigh as evidence.
    """

    shape: FloatArray
    exposure: FloatArray
    dispersion: FloatArray

    def of(self, rows: IntArray) -> Baselines:
        """Of some series, by their places."""
        return Baselines(self.shape[rows], self.exposure[rows], self.dispersion[rows])


@dataclass
class WatchState:
    """Where a watch stands between two stretches of time: one row for each series.

    `events` and `exposure` (series by ratios) are those since the evidence was last at nothing,
    which was at `began`. `open` says which series have an alarm on, for the ratio of number
    `which`; `back_events` and `back_exposure` are those since its return was last out of question.
    """

    events: FloatArray
    exposure: FloatArray
    began: FloatArray
    open: BoolArray
    which: IntArray
    back_events: FloatArray
    back_exposure: FloatArray

    @classmethod
    def at(cls, start: npt.ArrayLike, series: int, ratios: int) -> WatchState:
        """Of series that are watched from `start` on."""
        none = np.zeros((series, ratios))
        began = np.broadcast_to(np.asarray(start, dtype=np.float64), (series,))
        return cls(
            none,
            none.copy(),
            np.repeat(began[:, None], ratios, axis=1),
            np.zeros(series, dtype=np.bool_),
            np.zeros(series, dtype=np.intp),
            np.zeros(series),
            np.zeros(series),
        )


@dataclass(frozen=True)
class Alarm:
    """One alarm, or its end.

    `series` and `step` are indices; `ratio` the rate ratio whose evidence reached its threshold,
    `score` that evidence, `began` the time at which it started to gather. `is_end`: the rate is
    back, and the other figures are those of its return.
    """

    series: int
    step: int
    ratio: float
    score: float
    began: float
    is_end: bool


def evidence(
    events: FloatArray, exposure: FloatArray, baselines: Baselines, ratios: FloatArray
) -> FloatArray:
    """Log marginal likelihood ratio of events in an exposure: rate R times the baseline or it.

    Formula: with the baseline Gamma(a, b), x events in E: x ln R + (a + x) ln((b + E) / (b + R E)).
    With a and b growing in proportion it becomes the Poisson ratio x ln R - (R - 1) E a / b.

    Args:
        events, exposure: series by ratios, already divided by the dispersion.
        baselines: of the series.
        ratios: R, 0 or above and not 1.
    Returns: natural logarithms, series by ratios.
    Source: Bernardo and Smith (1994), Bayesian Theory, sec. 3.2 and appendix A (gamma-Poisson);
        the ratio of two marginal likelihoods is Jeffreys (1961), Theory of Probability, ch. 5.
    Example: 3 events where Gamma(100, 100) expects 1, R = 2: 1.065 (1.079 were it known exactly).
    """
    shape, known = baselines.shape[:, None], baselines.exposure[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        told = np.where(events > 0, events * np.log(ratios), 0.0)
    change = np.log((known + exposure) / (known + ratios * exposure))
    return np.asarray(told + (shape + events) * change)


def watch(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    times: npt.ArrayLike,
    baselines: Baselines,
    ratios: npt.ArrayLike,
    thresholds: npt.ArrayLike,
    state: WatchState,
) -> list[Alarm]:
    """Go on watching series over more steps; one alarm at most is on for each series.

    Formula: for each ratio the evidence of all events since it was last 0 or less; an alarm where
    it reaches the threshold; after that the reversed evidence, against twice (half) the rate at
    least, and the end where that reaches ln 100.
    By Ville's inequality a series raises its alarm by chance within one such stretch with a
    probability of at most exp(-threshold) for each ratio.

    Args:
        counts, exposures: series by steps, the events of a step at its end; steps of nothing may
            fill rows up.
        times: when each step ends, same shape, any unit.
        baselines: of the series.
        ratios: rate ratios, all above 1 (a rise) or all from 0 to below 1 (a fall).
        thresholds: natural logarithms, one for all or one for each ratio.
        state: where the watch stands; it is brought up to date.
    Returns: alarms and their ends in order of steps.
    Raises: ValueError naming the argument.
    Source: Page (1954), Biometrika 41:100-115; Hawkins and Olwell (1998), Cumulative Sum Charts,
        ch. 5; Ville (1939), Etude critique de la notion de collectif, for the bound.
    Example: six events in a step where Gamma(100, 100) expects one, threshold 3: an alarm, for R 5.
    """
    ratio = as_series("ratios", as_amounts("ratios", np.atleast_1d(np.asarray(ratios, float))))
    require((ratio > 1).all() or (ratio < 1).all(), "ratios must be all above or all below 1")
    limit = as_amounts("thresholds", thresholds, positive=True)
    over = baselines.dispersion[:, None]
    events = as_amounts("counts", counts) / over
    seen_in = as_amounts("exposures", exposures) / over
    require(events.shape == seen_in.shape, "exposures must have the shape of counts")
    ends = np.asarray(times, dtype=np.float64)
    limit = np.broadcast_to(limit, (len(events), len(ratio)))
    alarms: list[Alarm] = []
    for step in range(events.shape[1]):
        # The exposure of a step comes before its events: what it alone says is weighed first.
        state.exposure += seen_in[:, [step]]
        state.back_events[state.open] += events[state.open, step]
        state.back_exposure[state.open] += seen_in[state.open, step]
        score = evidence(state.events, state.exposure, baselines, ratio)
        _forget(score, slice(None), ends[:, step], state)
        some = np.flatnonzero(events[:, step])
        if len(some):
            state.events[some] += events[some, step][:, None]
            after = evidence(state.events[some], state.exposure[some], baselines.of(some), ratio)
            _forget(after, some, ends[:, step], state)
            score[some] = after
        quiet = ~state.open
        if state.open.any():
            alarms += _ended(step, state, baselines, ratio, ends[:, step])
        raised = np.flatnonzero((score >= limit).any(axis=1) & quiet)
        for row in raised.tolist():
            best = int((score[row] - limit[row]).argmax())
            began = float(state.began[row, best])
            alarms.append(
                Alarm(row, step, float(ratio[best]), float(score[row, best]), began, is_end=False)
            )
            state.open[row], state.which[row] = True, best
            state.back_events[row] = state.back_exposure[row] = 0.0
    return alarms


def _forget(score: FloatArray, rows: IntArray | slice, ends: FloatArray, state: WatchState) -> None:
    """Start the evidence again where it speaks for the baseline."""
    nothing = score <= 0
    state.events[rows] = np.where(nothing, 0.0, state.events[rows])
    state.exposure[rows] = np.where(nothing, 0.0, state.exposure[rows])
    state.began[rows] = np.where(nothing, ends[rows, None], state.began[rows])


def _ended(
    step: int, state: WatchState, baselines: Baselines, ratio: FloatArray, ends: FloatArray
) -> list[Alarm]:
    on = np.flatnonzero(state.open)
    own = baselines.of(on)
    against = np.maximum(ratio, _PLAINLY) if ratio[0] > 1 else np.minimum(ratio, 1 / _PLAINLY)
    told = evidence(state.back_events[on, None], state.back_exposure[on, None], own, against)
    back = -told[np.arange(len(on)), state.which[on]]
    doubtful = on[back <= 0]
    state.back_events[doubtful] = state.back_exposure[doubtful] = 0.0
    found = []
    for place in np.flatnonzero(back >= BACK).tolist():
        row = int(on[place])
        found.append(
            Alarm(
                *(row, step, float(ratio[state.which[row]]), float(back[place]), float(ends[row])),
                is_end=True,
            )
        )
        state.open[row] = False
        state.events[row], state.exposure[row], state.began[row] = 0.0, 0.0, ends[row]
    return found


def _by_chance(
    baselines: Baselines, a_day: FloatArray, days: int, random: np.random.Generator
) -> FloatArray:
    """Daily counts of series with rates from their gammas: series by days."""
    rate = random.gamma(baselines.shape) / baselines.exposure
    mean = np.broadcast_to((rate * a_day)[:, None], (len(rate), days))
    over = np.maximum(baselines.dispersion, 1 + 1e-9)[:, None] - 1
    clustered = random.gamma(np.maximum(mean / over, 1e-300)) * over
    return random.poisson(np.where(over > 1e-6, clustered, mean)).astype(np.float64)


def false_alarms(
    baselines: Baselines,
    exposure_a_day: npt.ArrayLike,
    ratios: npt.ArrayLike,
    thresholds: npt.ArrayLike,
    days: int,
    seed: int,
    handicaps: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Expected false alarms a day of all series together at several thresholds, by simulation.

    Each series gets a true rate drawn from its own gamma, and daily counts of the mean and
    dispersion that follow: Poisson, or negative binomial where the dispersion is above 1.

    Args:
        baselines, exposure_a_day: of the series.
        ratios: as for `watch`.
        thresholds: natural logarithms, ascending.
        days: how many are simulated; the first tenth, before evidence has gathered, is left out.
        seed: of the random numbers; the same seed gives the same answer.
        handicaps: of each ratio, as for `limits`.
    Returns: alarms a day, one for each threshold.
    Raises: ValueError naming the argument.
    Source: parametric bootstrap, Efron and Tibshirani (1993), An Introduction to the Bootstrap,
        sec. 6.5.
    Example: a thousand Gamma(100, 100) with 0.05 events a day, threshold 5, ratio 2.5: 0.12 a day.
    """
    tried = as_series("thresholds", as_amounts("thresholds", thresholds, positive=True))
    a_day = as_amounts("exposure_a_day", exposure_a_day)
    require(one_number("days", days) >= 10, "days must be 10 or more")
    random = np.random.default_rng(seed)
    counts = _by_chance(baselines, a_day, days, random)
    every = np.atleast_1d(np.asarray(ratios, dtype=np.float64))
    of_ratios = np.broadcast_to(np.asarray(handicaps, dtype=np.float64), every.shape)
    at = np.array([limits(one, of_ratios) for one in tried.tolist()])
    first, counted = days // 10, np.zeros(len(tried))
    # Busy series have many more steps than the others; each group has tables of its own width.
    order = np.argsort(counts.sum(axis=1), kind="stable")
    for group in np.array_split(order, min(_GROUPS, len(order) // _LEAST_IN_GROUP + 1)):
        if not len(group):
            continue
        own = baselines.of(group)
        steps = _as_they_come(counts[group], a_day[group], random)
        counted += _counted(own, steps, every, at, first)
    return counted / (days - first)


def _counted(
    baselines: Baselines,
    steps: tuple[FloatArray, FloatArray, FloatArray],
    ratios: FloatArray,
    tried: FloatArray,
    first: float,
) -> FloatArray:
    """Alarms after a time, for each row of thresholds: all are watched side by side."""
    many, series = len(tried), len(baselines.shape)
    repeated = Baselines(
        *(np.tile(one, many) for one in (baselines.shape, baselines.exposure, baselines.dispersion))
    )
    counts, exposures, times = (np.tile(one, (many, 1)) for one in steps)
    state = WatchState.at(0.0, many * series, len(ratios))
    limit = np.repeat(tried, series, axis=0)
    counted = np.zeros(many)
    for alarm in watch(counts, exposures, times, repeated, ratios, limit, state):
        if not alarm.is_end and times[alarm.series, alarm.step] >= first:
            counted[alarm.series // series] += 1
    return counted


def _as_they_come(
    counts: FloatArray, a_day: FloatArray, random: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Steps of daily counts: each event by itself, anywhere in its day, and the end of each day.

    Returns: counts, exposures and times in days, series by steps.
    """
    series, days = counts.shape
    number = counts.astype(np.intp).ravel()
    row, day = (one.ravel() for one in np.indices(counts.shape))
    event_row, event_day = np.repeat(row, number), np.repeat(day, number)
    at = np.concatenate((event_day + random.random(len(event_day)), day + 1.0))
    row = np.concatenate((event_row, row))
    is_event = np.arange(len(at)) < len(event_row)
    order = np.lexsort((at, row))
    row, at, is_event = row[order], at[order], is_event[order]
    sizes = np.bincount(row, minlength=series)
    column = np.arange(len(row)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    before = np.where(column == 0, 0.0, np.concatenate(([0.0], at[:-1])))
    shape = (series, int(sizes.max()))
    events, exposures, times = np.zeros(shape), np.zeros(shape), np.full(shape, float(days))
    events[row, column] = is_event
    exposures[row, column] = (at - before) * a_day[row]
    times[row, column] = at
    return events, exposures, times


def false_silences(
    baselines: Baselines,
    exposure_a_day: npt.ArrayLike,
    thresholds: npt.ArrayLike,
    days: int,
    seed: int,
) -> FloatArray:
    """Expected false alarms a day of watches for ratio 0, asked at the end of each day.

    The evidence is a ln((b + E) / b) with the exposure E since the last event, wherever in its
    day that was: events of a day are spread evenly over its exposure.

    Args, Returns, Raises and Source: as `false_alarms`.
    Example: ten Gamma(100, 100) with five events a day, threshold 5: 0.06 a day.
    """
    tried = as_series("thresholds", as_amounts("thresholds", thresholds, positive=True))
    a_day = as_amounts("exposure_a_day", exposure_a_day)
    require(one_number("days", days) >= 10, "days must be 10 or more")
    random = np.random.default_rng(seed)
    counts = _by_chance(baselines, a_day, days, random)
    # The last of n events that are spread evenly lies at the n-th root of an even number.
    rest = 1 - random.random(counts.shape) ** (1 / np.maximum(counts, 1.0))
    gap, first = np.zeros(len(counts)), days // 10
    on = np.zeros((len(tried), len(counts)), dtype=np.bool_)
    counted = np.zeros(len(tried))
    for day in range(days):
        some = counts[:, day] > 0
        on &= ~some
        gap = np.where(some, rest[:, day] * a_day, gap + a_day)
        score = baselines.shape * np.log1p(gap / baselines.dispersion / baselines.exposure)
        raised = (score >= tried[:, None]) & ~on
        on |= raised
        if day >= first:
            counted += raised.sum(axis=1)
    return counted / (days - first)
