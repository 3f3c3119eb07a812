"""How well causes explain counts: a gamma-Poisson model against "nothing special".

A cause raises the rate, by one ratio, in a set of pieces of machine time. What is found in the
pieces of one machine is Poisson around an expectation whose own uncertainty is a gamma; what all
machines of the set share, such as a day on which more is logged everywhere, is averaged over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    IntArray,
    as_amounts,
    as_probability,
    broadcast,
    require,
)

# Logarithms of the ratio over which is averaged: 0.2 to 160 times the usual rate.
GRID: FloatArray = np.round(np.arange(-10, 35) * 0.15, 2)
# A cause that is worth naming at least doubles the rate; 128 times is a flood.
LEAST_RATIO, LARGEST_RATIO = 2.0, 128.0
# Small ratios are likelier beforehand than large ones: density falls with the root of the ratio.
_TILT = 0.5
# So many more than are expected are noticed half of the time, and how steeply that rises with
# them. Common practice, no source.
_NOTICED, _STEEP = 15.0, 4.0
# The grid cannot tell a spread below this.
_LEAST_SPREAD = 0.08


@dataclass(frozen=True)
class Pieces:
    """What was found in the pieces of a set, one element for each set and machine.

    `sets` tells to which set (0, 1, ...) an element belongs, ascending. `counts` were found where
    `expected` were to be expected with nothing special; the true level is a gamma around it with
    relative variance 1 / `shapes`.
    """

    sets: IntArray
    counts: FloatArray
    expected: FloatArray
    shapes: FloatArray


def level_curves(pieces: Pieces, sets: int) -> FloatArray:
    """Log likelihood of each set at every level of `GRID`, over that at the usual level.

    Formula: with x found, m expected and gamma shape a, the marginal is negative binomial, and at
    level e^t its logarithm exceeds that at t = 0 by x t - (a + x) ln((a + e^t m) / (a + m)).

    Args:
        pieces: n elements.
        sets: how many sets there are.
    Returns: (sets, len(GRID)).
    Raises: ValueError naming the argument.
    Source: Gelman et al. (2013), Bayesian Data Analysis, sec. 2.6 (the negative binomial as a
        gamma mixture of Poissons).
    Example: 8 found where 2 were expected, known exactly, has 8 t - 2 (e^t - 1) at level e^t.
    """
    require(bool((np.diff(pieces.sets) >= 0).all()), "sets must be in order")
    shapes, counts = pieces.shapes[:, None], pieces.counts[:, None]
    expected = pieces.expected[:, None]
    raised = np.log1p(expected * np.expm1(GRID) / (shapes + expected))
    return summed(counts * GRID - (shapes + counts) * raised, pieces.sets, sets)


def summed(values: FloatArray, sets: IntArray, number: int) -> FloatArray:
    """Sums of rows by set.

    Args:
        values: n rows.
        sets: of each row, in order.
        number: how many sets; those without rows give 0.
    Returns: (number, ...).
    Source: plain addition.
    Example: rows 1, 2 and 5 of sets 0, 0 and 2 give 3, 0 and 5.
    """
    found = np.zeros((number, *values.shape[1:]))
    if len(sets):
        firsts = np.flatnonzero(np.r_[True, np.diff(sets) > 0])
        found[sets[firsts]] = np.add.reduceat(values, firsts, axis=0)
    return found


def usual_levels(variances: npt.ArrayLike) -> FloatArray:
    """Log chance of each level of `GRID` with nothing special, for each set.

    Args:
        variances: relative variance of what all pieces of a set share; shape (n,).
    Returns: (n, len(GRID)); a lognormal of mean 1.
    Raises: ValueError naming the argument.
    Source: Johnson, Kotz and Balakrishnan (1994), Continuous Univariate Distributions 1, ch. 14.
    Example: with variance 0 nearly all chance lies at the usual level, 1.
    """
    from scipy.special import logsumexp

    variance = np.maximum(as_amounts("variances", variances), _LEAST_SPREAD**2)[:, None]
    log_chance = -((GRID + variance / 2) ** 2) / (2 * variance)
    normal: FloatArray = log_chance - logsumexp(log_chance, axis=1, keepdims=True)
    return normal


def raised_levels(variances: npt.ArrayLike) -> FloatArray:
    """Log chance of each level of `GRID` where a cause raises the rate, for each set.

    The ratio has density proportional to its power -1.5 (its logarithm falls off by half) from
    2 to 128; what the pieces share spreads it, as in `usual_levels`.

    Args:
        variances: as in `usual_levels`.
    Returns: (n, len(GRID)).
    Raises: ValueError naming the argument.
    Source: the integral of an exponential against a normal: Gelman et al. (2013), appendix A.
    Example: six tenths of the chance lie above 4 times the usual rate.
    """
    from scipy.special import logsumexp, ndtr

    variance = np.maximum(as_amounts("variances", variances), _LEAST_SPREAD**2)[:, None]
    spread, at = np.sqrt(variance), GRID + variance / 2
    low, high = (
        (np.log(ratio) - at + _TILT * variance) / spread for ratio in (LEAST_RATIO, LARGEST_RATIO)
    )
    inside = np.maximum(np.where(low > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low)), 1e-300)
    log_chance = np.log(inside) - _TILT * at
    raised: FloatArray = log_chance - logsumexp(log_chance, axis=1, keepdims=True)
    return raised


def log_noticed(excess: npt.ArrayLike) -> FloatArray:
    """Log chance that anybody asks: only what is plain to see is asked about.

    Formula: e^4 / (e^4 + c^4) where a cause makes e more than are usual, c = 15.

    Args:
        excess: of any shape; below 0 as 0.
    Returns: of the same shape; very low where nothing is in excess.
    Raises: ValueError naming the argument.
    Source: selection on the outcome, as a weight on the prior: Gelman et al. (2013), sec. 8.2;
        common practice for c, no source.
    Example: 15 more than usual are noticed half of the time, 26 nine times in ten.
    """
    more = np.maximum(np.asarray(excess, dtype=np.float64), 1e-9) / _NOTICED
    seen: FloatArray = -np.logaddexp(0, -_STEEP * np.log(more))
    return seen


def log_evidence(
    curves: FloatArray, variances: npt.ArrayLike, expected: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Logarithm of the Bayes factor of "this set is raised" against "nothing special".

    Args:
        curves: of n sets, from `level_curves`.
        variances: of what the pieces of each set share, relative; shape (n,).
        expected: in each set, with nothing special; shape (n,).
    Returns: (n,) of a cause that is noticed, and (n,) log chance that a cause in the set is.
    Raises: ValueError naming the argument.
    Source: Kass and Raftery (1995), J. American Statistical Association 90:773-795.
    Example: 28 found where 7 were expected gives about 14: a million to one for a cause.
    """
    from scipy.special import logsumexp

    due = as_amounts("expected", expected)[:, None]
    chances = raised_levels(variances) + log_noticed(due * np.expm1(GRID))
    noticed = np.asarray(logsumexp(chances, axis=1), dtype=np.float64)
    raised = logsumexp(curves + chances, axis=1) - noticed
    usual = logsumexp(curves + usual_levels(variances), axis=1)
    return np.asarray(raised - usual, dtype=np.float64), noticed


def noticed_priors(log_priors: FloatArray, log_seen: FloatArray, families: IntArray) -> FloatArray:
    """Chances beforehand, given that the cause was noticed; each family keeps its own in all.

    Args:
        log_priors, log_seen: of each hypothesis.
        families: which family each belongs to.
    Returns: (n,) log priors.
    Raises: nothing.
    Source: Bayes' theorem within each family.
    Example: of 2 alike with 0.1 each, of which one is never noticed, the other takes 0.2.
    """
    size = int(families.max(initial=-1)) + 1
    before = np.bincount(families, np.exp(log_priors), size)
    given = log_priors + log_seen
    after = np.bincount(families, np.exp(given), size)
    kept: FloatArray = given + np.log(before / np.maximum(after, 1e-300))[families]
    return kept


def probabilities(log_priors: FloatArray, log_factors: FloatArray) -> tuple[FloatArray, float]:
    """Probabilities of hypotheses and of "nothing special" (Bayes factor 1); they add up to 1.

    Args:
        log_priors: of each hypothesis; what they leave of 1 belongs to "nothing special".
        log_factors: their log Bayes factors.
    Returns: (n,) probabilities, and that of nothing special.
    Raises: ValueError where the priors leave nothing.
    Source: Bayes' theorem; Kass and Raftery (1995), equation 1.
    Example: one hypothesis of prior 0.5 and Bayes factor 9 has probability 0.9.
    """
    from scipy.special import logsumexp

    left = 1 - float(np.exp(log_priors).sum())
    require(left > 0, "log_priors must leave something for nothing special")
    weights = np.r_[log_priors + log_factors, np.log(left)]
    shares = np.exp(weights - logsumexp(weights))
    return shares[:-1], float(shares[-1])


def ratio_interval(
    counts: npt.ArrayLike,
    expected: npt.ArrayLike,
    variances: npt.ArrayLike,
    confidence: float = 0.95,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How many times the usual rate: median and equal-tailed interval.

    Formula: the ratio times m / a is beta prime with shapes x + 1/2 and a, where x were found, m
    expected and a = 1 / variance of the expectation.

    Args:
        counts, expected, variances: found, expected, relative variance of the expectation.
        confidence: of the interval.
    Returns: median, low, high.
    Raises: ValueError naming the argument.
    Source: beta prime as the ratio of gammas: Johnson, Kotz and Balakrishnan (1995), Continuous
        Univariate Distributions 2, ch. 27; the half is Jeffreys's prior for a Poisson mean.
    Example: 20 found where 4 were expected, known to 10 %: 5.1 times, from 3.1 to 7.9.
    """
    from scipy.special import betaincinv

    found, usual, variance = broadcast(
        counts=as_amounts("counts", counts),
        expected=as_amounts("expected", expected, positive=True),
        variances=as_amounts("variances", variances),
    )
    sure = as_probability("confidence", confidence)
    shape = 1 / np.maximum(variance, 1e-6)
    tails = (0.5, (1 - sure) / 2, (1 + sure) / 2)
    shares = (betaincinv(found + 0.5, shape, tail) for tail in tails)
    middle, low, high = (shape / usual * share / np.maximum(1 - share, 1e-12) for share in shares)
    return middle, low, high
