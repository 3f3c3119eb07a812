"""Weigh explanations of counts against each other by their marginal likelihoods."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    as_amounts,
    as_counts,
    as_numbers,
    as_series,
    broadcast,
    one_number,
    require,
)


def log_evidence_ratio(
    counts: npt.ArrayLike, expected: npt.ArrayLike, shape: float = 1.0, rate: float = 1.0
) -> FloatArray:
    """Log of how much better an unknown rate ratio explains a count than the expected rate does.

    Formula: with x ~ Poisson(r e) and r ~ Gamma(a, b) against r = 1:
    lnG(a + x) - lnG(a) + a ln b - (a + x) ln(b + e) + e. Positive: the unknown ratio explains
    better. Assumes that `expected` is known from elsewhere, or is far better known than r.

    Args:
        counts: events under the suspect, any shape.
        expected: what the baseline rate times the suspect's exposure gives; same shape, 0 or more.
        shape, rate: a and b of the ratio's gamma distribution, above 0.
    Returns: natural logarithms, one per count.
    Raises: ValueError naming the argument.
    Source: Kass and Raftery (1995), J. American Statistical Association 90:773-795; the integral is
        the negative binomial of Efron and Hastie (2016), sec. 6.1.
    Example: 5 events where 1 was expected, a = b = 1: ln 5! - 6 ln 2 + 1 = 1.629.
    """
    from scipy.special import gammaln

    x, e = broadcast(counts=as_counts("counts", counts), expected=as_amounts("expected", expected))
    a, b = one_number("shape", shape, above=0), one_number("rate", rate, above=0)
    value = gammaln(a + x) - gammaln(a) + a * np.log(b) - (a + x) * np.log(b + e) + e
    return np.asarray(value, dtype=np.float64)


def posterior_probabilities(log_evidence: npt.ArrayLike, prior: npt.ArrayLike) -> FloatArray:
    """Probability of each of several explanations, one of which is taken to be true.

    Formula: prior x exp(log evidence), divided by its sum. Log evidence may be relative to any one
    reference that all share.

    Args: log_evidence: one natural logarithm each. prior: one weight each, 0 or more, not all 0.
    Returns: probabilities that add up to 1.
    Raises: ValueError naming the argument.
    Source: Bayes' theorem; Kass and Raftery (1995), J. American Statistical Association 90:773-795.
    Example: log evidence [0, ln 9] with equal priors gives 0.1 and 0.9.
    """
    evidence = as_series("log_evidence", as_numbers("log_evidence", log_evidence))
    weight = as_amounts("prior", prior)
    require(weight.shape == evidence.shape, "prior must hold one weight for each explanation")
    require(weight.any(), "prior must not be 0 for every explanation")
    used = weight > 0
    score = np.zeros(evidence.shape)
    score[used] = weight[used] * np.exp(evidence[used] - evidence[used].max())
    return np.asarray(score / score.sum(), dtype=np.float64)


def prior_by_kind(kinds: npt.ArrayLike) -> FloatArray:
    """Prior that is flat over the kinds of explanation first, and over the members of each second.

    Formula: 1 / (number of kinds x members of this kind). So a kind with many members is not
    favoured for having them.

    Args: kinds: the kind of each explanation, such as machine, tool, coil.
    Returns: weights that add up to 1.
    Raises: ValueError naming the argument.
    Source: principle of indifference, applied in two steps; common practice, no source.
    Example: two machines and one coil get 0.25, 0.25 and 0.5.
    """
    names = np.asarray(kinds)
    require(names.ndim == 1 and names.size > 0, "kinds must be a list of at least 1 value")
    _, place, members = np.unique(names, return_inverse=True, return_counts=True)
    return np.asarray(1 / (members.size * members[place]), dtype=np.float64)
