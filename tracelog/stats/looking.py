"""Did a rate fall, or rise? Evidence that holds however often one looks at it."""

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tracelog.stats.inputs import FloatArray, as_probability, one_count, one_number, require

# How much more often than the null rate the one side may happen, and how much more seldom the
# other, each with its weight. Fixed once, before anything was seen.
_MORE = 2.0 ** np.arange(0, 5.25, 0.25)
_FEWER = np.array([0.0, 1 / 8, 1 / 4, 1 / 2])
_WEIGHTS = {_MORE.size: 1 / _MORE / (1 / _MORE).sum(), _FEWER.size: np.full(4, 0.25)}
_STEPS = 44
Which = Literal["fell", "rose"]


def log_evidence(
    before_counts: ArrayLike,
    before_exposures: ArrayLike,
    after_counts: ArrayLike,
    after_exposures: ArrayLike,
    ratio: float = 1.0,
    which: Which = "fell",
) -> FloatArray:
    """Evidence, as a natural logarithm, that a rate fell below (rose above) a ratio of what it was.

    Formula: with x1 in n1 before and x2 in n2 after, and the null that the rate after is at least
    r times the rate before, E = min over the null rate L of

        mean over c of c^x1 exp(-(c - 1) L n1)  times  mean over q of q^x2 exp((1 - q) L r n2)

    with c from 1 to 32, weighed by 1/c, and q from 0 to 1/2; for a rise, q is on the side before
    and c after. At the
    true L each factor is a likelihood ratio whose mean is at most 1 at every n2, so that by Ville's
    inequality the chance that E ever reaches 1/a is at most a, however often one looks and whenever
    one stops. Assumes Poisson counts at one rate each.

    Args:
        before_counts, after_counts: happenings, 0 or more; arrays that broadcast.
        before_exposures, after_exposures: same unit, above 0 before and 0 or more after.
        ratio: r, above 0.
        which: ``fell`` or ``rose``.
    Returns: log E, shaped as the arguments broadcast; log(20) = 3.0 is reached by chance with at
        most 5 %.
    Raises: ValueError naming the argument.
    Source: Ville (1939), Étude critique de la notion de collectif; Grünwald, de Heide and Koolen,
        Safe testing (both from memory). The mixtures are our own.
    Example: 5 in 5 million before, none in 6 million since: log E = 2.79, short of 3.0.
    """
    require(which in ("fell", "rose"), "which must be 'fell' or 'rose'")
    one_number("ratio", ratio, above=0)
    x1, n1, x2, n2 = np.broadcast_arrays(
        *(np.asarray(one, dtype=np.float64) for one in (before_counts, before_exposures)),
        *(np.asarray(one, dtype=np.float64) for one in (after_counts, after_exposures)),
    )
    require(bool((x1 >= 0).all()), "before_counts must be 0 or more")
    require(bool((x2 >= 0).all()), "after_counts must be 0 or more")
    require(bool((n1 > 0).all()), "before_exposures must be above 0")
    require(bool((n2 >= 0).all()), "after_exposures must be 0 or more")
    before, after = (_MORE, _FEWER) if which == "fell" else (_FEWER, _MORE)
    scaled = n2 * ratio
    # The sum is convex in L, and beyond all happenings at the shorter exposure it only rises.
    low = np.zeros(x1.shape)
    shorter = np.minimum(n1, np.where(scaled > 0, scaled, n1))
    high = 4 * (x1 + x2 + 1) / shorter
    for _ in range(_STEPS):
        middle = (low + high) / 2
        slope = _slope(x1, n1, middle, before) + _slope(x2, scaled, middle, after)
        rising = slope > 0
        high, low = np.where(rising, middle, high), np.where(rising, low, middle)
    level = (low + high) / 2
    found: FloatArray = _weighed(x1, n1, level, before) + _weighed(x2, scaled, level, after)
    return found


def _terms(
    counts: FloatArray, exposures: FloatArray, level: FloatArray, times: FloatArray
) -> FloatArray:
    """Logarithms of the likelihood ratios of rates `times` the level, one more axis at the end."""
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(times)
        powers = np.where(counts[..., None] > 0, counts[..., None] * logs, 0.0)
    return np.asarray(powers - (times - 1) * (level * exposures)[..., None], dtype=np.float64)


def _weighed(
    counts: FloatArray, exposures: FloatArray, level: FloatArray, times: FloatArray
) -> FloatArray:
    terms = _terms(counts, exposures, level, times)
    top = terms.max(axis=-1)
    mean = (np.exp(terms - top[..., None]) * _WEIGHTS[times.size]).sum(axis=-1)
    return np.asarray(top + np.log(mean), dtype=np.float64)


def _slope(
    counts: FloatArray, exposures: FloatArray, level: FloatArray, times: FloatArray
) -> FloatArray:
    terms = _terms(counts, exposures, level, times)
    weights = np.exp(terms - terms.max(axis=-1)[..., None]) * _WEIGHTS[times.size]
    slope = (weights * (1 - times)).sum(axis=-1) / weights.sum(axis=-1)
    return np.asarray(slope * exposures, dtype=np.float64)


def exposure_to_show_fall(
    before_count: int,
    before_exposure: float,
    after_count: int = 0,
    ratio: float = 1.0,
    confidence: float = 0.95,
) -> float:
    """Exposure after a change at which no more than `after_count` happenings show that it fell.

    Formula: the smallest n2 at which `log_evidence` reaches -log(1 - confidence); inf where no
    exposure does, as when nothing happened before.

    Args: as `log_evidence`, one number each.
    Raises: ValueError naming the argument.
    Source: as `log_evidence`, solved for the exposure.
    Example: 5 in 5 million before, none since: 6.56 million.
    """
    x1, x2 = one_count("before_count", before_count), one_count("after_count", after_count)
    n1 = one_number("before_exposure", before_exposure, above=0)
    needed = -math.log(1 - as_probability("confidence", confidence))
    if x1 == 0:
        return math.inf
    from scipy.optimize import brentq

    def short_of(exposure: float) -> float:
        return float(log_evidence(x1, n1, x2, exposure, ratio)) - needed

    high = n1
    while short_of(high) < 0:
        high *= 4
        if high > n1 * 1e7:
            return math.inf
    # The last millionth is given away, so that the exposure is enough and not just short of it.
    return float(brentq(short_of, 0.0, high, xtol=1e-9 * n1, rtol=1e-7)) * (1 + 1e-6)


def most_that_show_fall(
    before_count: int,
    before_exposure: float,
    after_exposures: ArrayLike,
    ratio: float = 1.0,
    confidence: float = 0.95,
) -> list[int | None]:
    """The most happenings at each exposure after a change that still show that the rate fell.

    Args: as `log_evidence`; exposures of shape (m,).
    Returns: m counts; None where not even none would show it.
    Raises: ValueError naming the argument.
    Source: as `log_evidence`, solved for the count.
    Example: 20 in 10 million before: None after 2 million, 0 after 4, 4 after 10.
    """
    x1 = one_count("before_count", before_count)
    n1 = one_number("before_exposure", before_exposure, above=0)
    needed = -math.log(1 - as_probability("confidence", confidence))
    n2 = np.atleast_1d(np.asarray(after_exposures, dtype=np.float64))
    low, high = np.full(n2.shape, -1.0), np.ceil(x1 / n1 * ratio * n2) + 1
    # Bisection over whole numbers; the evidence falls with every happening.
    while bool((high - low > 1).any()):
        middle = np.floor((low + high) / 2)
        shows = log_evidence(x1, n1, np.maximum(middle, 0), n2, ratio) >= needed
        open_still = high - low > 1
        low = np.where(open_still & shows, middle, low)
        high = np.where(open_still & ~shows, middle, high)
    return [None if one < 0 else int(one) for one in low]
