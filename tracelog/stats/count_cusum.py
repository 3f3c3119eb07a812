"""CUSUMs for counts: has the rate of one or many series risen, with exposure that varies?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    BoolArray,
    FloatArray,
    IntArray,
    as_amounts,
    as_counts,
    as_series,
    broadcast,
    one_number,
    require,
)

# States of the lattices on which run lengths are worked out.
_MOST_STATES = 4000
_LATTICE_STATES = 800
# Periods are taken together until the score falls by this many events in each.
_LEAST_SLACK = 0.02
# Probability of counts too large to matter for run lengths.
_LEFT_OUT = 1e-14


@dataclass(frozen=True)
class CountCusum:
    """Scores of a likelihood-ratio CUSUM over time.

    `scores` has the shape of the counts with one more axis, for the ratios; `signalled`, of the
    shape of the counts, is true where any ratio's score reached its threshold. `since` gives, for
    each score, the first period that it still counts: the estimate of when the change began.
    `best` is the index of the ratio with the highest score over threshold.
    """

    scores: FloatArray
    since: IntArray
    signalled: BoolArray
    best: IntArray
    ratios: FloatArray


def log_likelihood_steps(
    counts: npt.ArrayLike,
    expected: npt.ArrayLike,
    ratios: npt.ArrayLike,
    shape: float | None = None,
) -> FloatArray:
    """Log likelihood ratio of each count: rate R times its baseline against the baseline.

    Formula: Poisson x ln R - e (R - 1); negative binomial with shape a (variance e + e^2 / a)
    x ln R + (x + a) ln((a + e) / (a + R e)). A period with nothing expected tells nothing: 0.

    Args:
        counts: events per period, any shape.
        expected: baseline rate times exposure, same shape.
        ratios: rate ratios R, above 0 and not 1.
        shape: a; None: Poisson.
    Returns: natural logarithms, one more axis for the ratios.
    Raises: ValueError naming the argument.
    Source: Hawkins and Olwell (1998), Cumulative Sum Charts, ch. 5; negative binomial as in Hoehle
        and Paul (2008), Computational Statistics and Data Analysis 52:4357-4368 (from memory).
    Example: 3 events where 1 was expected, R = 2: 3 ln 2 - 1 = 1.079.
    """
    events, mean = broadcast(
        counts=as_counts("counts", counts), expected=as_amounts("expected", expected)
    )
    ratio = as_series("ratios", as_amounts("ratios", np.atleast_1d(ratios), positive=True))
    require((ratio != 1).all(), "ratios must not be 1")
    x, e = events[..., None], mean[..., None]
    if shape is None:
        steps = x * np.log(ratio) - e * (ratio - 1)
    else:
        a = one_number("shape", shape, above=0)
        steps = x * np.log(ratio) + (x + a) * (np.log1p(e / a) - np.log1p(ratio * e / a))
    return np.where(e > 0, steps, 0.0)


def likelihood_cusum(
    counts: npt.ArrayLike,
    expected: npt.ArrayLike,
    ratios: npt.ArrayLike,
    thresholds: npt.ArrayLike,
    shape: float | None = None,
    restart: bool = True,
) -> CountCusum:
    """Sequential test for a changed rate, for one series or many at once, several ratios together.

    Formula: W_t = max(0, W_(t-1) + log likelihood ratio of period t); a signal where W_t reaches
    the threshold. Ratios above 1 look for a rise, below 1 for a fall. Assumes independent counts,
    Poisson or negative binomial, with a known baseline; exposure may vary freely.

    Args:
        counts: events, shape (periods,) or (periods, series).
        expected: baseline rate times exposure, same shape; 0 where there was no exposure.
        ratios: rate ratios to look for, each above 0 and not 1.
        thresholds: one for all ratios, or one each; see `cusum_threshold`.
        shape: of the negative binomial; None: Poisson.
        restart: start a series again at 0 after its signal; else let the scores run on.
    Returns: CountCusum.
    Raises: ValueError naming the argument.
    Source: Page (1954), Biometrika 41:100-115; Hawkins and Olwell (1998), ch. 5 and 6.
    Example: counts [1, 0, 4, 5] with 1 expected, ratio 2, threshold 3: scores 0, 0, 1.773, 4.238.
    """
    steps = log_likelihood_steps(counts, expected, ratios, shape)
    require(steps.ndim in (2, 3), "counts must have shape (periods,) or (periods, series)")
    ratio = np.atleast_1d(np.asarray(ratios, dtype=np.float64))
    limit = np.broadcast_to(as_amounts("thresholds", thresholds, positive=True), ratio.shape)
    value, began = np.zeros(steps.shape[1:]), np.zeros(steps.shape[1:], dtype=np.intp)
    scores, since = np.empty(steps.shape), np.empty(steps.shape, dtype=np.intp)
    signalled = np.zeros(steps.shape[:-1], dtype=np.bool_)
    for period, step in enumerate(steps):
        began = np.where(value <= 0, period, began)
        value = np.maximum(0.0, value + step)
        scores[period], since[period] = value, began
        signal = (value >= limit).any(axis=-1)
        signalled[period] = signal
        if restart:
            value = np.where(signal[..., None], 0.0, value)
    return CountCusum(scores, since, signalled, (scores / limit).argmax(axis=-1), ratio)


def poisson_cusum_arl(
    mean: float, k: float, h: float, head_start: float = 0.0, strict: bool = False
) -> float:
    """Average number of periods until an upper Poisson CUSUM with constant exposure signals.

    Formula: S = max(0, S + x - k), signal when S >= h (S > h if strict); k, h and head_start are
    multiples of one fraction, so S lives on a lattice and (I - Q)^-1 1 is exact.

    Args: mean: of the count per period, above 0. k, h, head_start: in events, with a common
        denominator that leaves at most 4000 states.
    Raises: ValueError naming the argument.
    Source: Lucas (1985), Technometrics 27(2) 129-144; Brook and Evans (1972), Biometrika 59:539.
    Example: mean 1.88, k 2, h 6 has 37.2, with head start 3 it has 29.19.
    """
    rate = one_number("mean", mean, above=0)
    parts = {"k": k, "h": h, "head_start": head_start}
    exact = {
        name: Fraction(one_number(name, part)).limit_denominator(1000)
        for name, part in parts.items()
    }
    require(exact["k"] >= 0, "k must be 0 or more")
    require(exact["h"] > 0, "h must be above 0")
    unit = math.lcm(*(part.denominator for part in exact.values()))
    slack, limit, start = (int(part * unit) for part in exact.values())
    states = limit + 1 if strict else limit
    require(states <= _MOST_STATES, "k and h must be multiples of a coarser fraction")
    require(0 <= start < states, "head_start must be 0 or more and below h")
    counts, chances = _poisson_counts(rate)
    return _lattice_run_length(counts * unit - slack, chances, states, start)


def _lattice_run_length(
    steps: FloatArray, chances: FloatArray, states: int, start: int = 0
) -> float:
    """Mean number of steps until max(0, S + step) reaches `states`, S a whole number."""
    here = np.arange(states)[:, None]
    there = np.maximum(0, here + steps.astype(np.intp)[None, :])
    kept = there < states
    stay = np.zeros((states, states))
    rows = np.broadcast_to(here, there.shape)
    np.add.at(stay, (rows[kept], there[kept]), np.broadcast_to(chances, there.shape)[kept])
    return float(np.linalg.solve(np.eye(states) - stay, np.ones(states))[start])


def _poisson_counts(mean: float) -> tuple[FloatArray, FloatArray]:
    from scipy.special import gammainccinv, gammaln

    top = math.ceil(float(gammainccinv(mean + 1, _LEFT_OUT)) + 9 * math.sqrt(mean) + 20)
    counts = np.arange(top + 1, dtype=np.float64)
    return counts, np.exp(counts * math.log(mean) - mean - gammaln(counts + 1))


def _negative_binomial_counts(mean: float, shape: float) -> tuple[FloatArray, FloatArray]:
    from scipy.special import gammaln

    # The tail falls like (m / (m + a))^x; go on until it no longer matters.
    ratio = mean / (mean + shape)
    spread = math.sqrt(mean + mean**2 / shape)
    top = int(mean + 12 * spread + 20 + math.log(_LEFT_OUT) / math.log(ratio))
    x = np.arange(top + 1, dtype=np.float64)
    log_chance = gammaln(x + shape) - gammaln(shape) - gammaln(x + 1) + x * math.log(ratio)
    return x, np.exp(log_chance - shape * math.log1p(mean / shape))


def likelihood_cusum_arl(
    expected: float,
    ratio: float,
    threshold: float,
    shape: float | None = None,
    true_ratio: float = 1.0,
) -> float:
    """Average number of periods until `likelihood_cusum` signals, for constant exposure.

    Formula: each step is c (x - k) with c = ln R, k = e (R - 1) / ln R (Poisson) or c = ln R - d,
    k = a d / c, d = ln((a + R e) / (a + e)) (negative binomial). With k replaced by a near fraction
    the score lives on a lattice, and (I - Q)^-1 1 is exact on it. Where a period expects very few
    events, several are taken together. Within about 5 %.

    Args:
        expected: baseline count per period, above 0.
        ratio, threshold: of the test. shape: of the negative binomial; None: Poisson.
        true_ratio: the rate that really prevails, over the baseline (1: nothing wrong).
    Raises: ValueError naming the argument.
    Source: Brook and Evans (1972), Biometrika 59:539-549; Lucas (1985), Technometrics 27(2).
    Example: likelihood_cusum_arl(1.0, 2.0, 3.0) is about 153.
    """
    mean = one_number("expected", expected, above=0)
    limit = one_number("threshold", threshold, above=0)
    real = mean * one_number("true_ratio", true_ratio, above=0)
    # Steps for no event and for one event fix the line c (x - k).
    none, one = log_likelihood_steps([0, 1], mean, one_number("ratio", ratio), shape)[:, 0]
    scale = one - none
    slack, height = -none / scale, limit / abs(scale)
    together = max(1, math.floor(_LEAST_SLACK / slack))
    if shape is None:
        counts, chances = _poisson_counts(real * together)
    else:
        counts, chances = _negative_binomial_counts(real * together, shape * together)
    finest = max(1, math.floor(_LATTICE_STATES / height))
    fraction = Fraction(float(slack * together)).limit_denominator(finest)
    unit = fraction.denominator
    states = max(1, math.ceil(height * unit * (1 - 1e-12)))
    steps = (counts * unit - fraction.numerator) * (1 if scale > 0 else -1)
    return float(together * _lattice_run_length(steps, chances, states))


def cusum_threshold(expected: float, ratio: float, arl: float, shape: float | None = None) -> float:
    """Threshold with which `likelihood_cusum` falsely signals once in `arl` periods on average.

    Formula: bisection on `likelihood_cusum_arl`; ln(arl), always enough (Lorden 1971), is the upper
    end. For a plant: arl = series x ratios / false signals per period (`arl_for_budget`).

    Args: expected: typical baseline count per period. ratio, shape: of the test. arl: above 1.
    Returns: threshold, in natural logarithms.
    Raises: ValueError naming the argument.
    Source: Brook and Evans (1972), Biometrika 59:539; Lorden (1971), Annals of Mathematical
        Statistics 42:1897-1908 for the upper end.
    Example: cusum_threshold(1.0, 2.0, 500) is about 4.1, below ln 500 = 6.2.
    """
    wanted = one_number("arl", arl, above=1)
    low, high = 0.0, math.log(wanted)
    for _ in range(20):
        middle = (low + high) / 2
        if likelihood_cusum_arl(expected, ratio, middle, shape) < wanted:
            low = middle
        else:
            high = middle
    return high


def arl_for_budget(series: int, ratios: int, false_signals_per_period: float) -> float:
    """In-control run length that each test needs so that all together keep the budget.

    Formula: series x ratios / budget; cautious, as tests of one series often signal together.

    Args: series: machines times defects. ratios: tests per series. false_signals_per_period: over
        the whole plant, above 0.
    Returns: periods. Raises: ValueError naming the argument.
    Source: additivity of expected numbers; common practice.
    Example: 640 series, 3 ratios, one false signal in 168 hours: 322,560 hours.
    """
    budget = one_number("false_signals_per_period", false_signals_per_period, above=0)
    return one_number("series", series, above=0) * one_number("ratios", ratios, above=0) / budget
