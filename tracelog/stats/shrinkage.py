"""Rates of several machines seen together: the gamma-Poisson model.

Each machine's true rate is drawn from one gamma distribution, its count is Poisson. The gamma is
fitted to all machines at once, and each machine's rate is then pulled towards the plant's mean,
the more the less exposure it has.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    IntArray,
    as_amounts,
    as_counts,
    as_probability,
    as_series,
    broadcast,
    one_number,
    require,
)
from tracelog.stats.intervals import poisson_interval

# Beyond this shape the spread between machines is under 0.1 % of the mean: they count as alike.
_LARGEST_SHAPE = 1e6
_SMALLEST_SHAPE = 1e-4
# A rise of the log likelihood smaller than this over "all alike" is rounding, not evidence.
_LEAST_GAIN = 1e-9
# Points of the search for the shape: a first grid, then each time the cells around the best.
_SEARCH = (231, 41, 41, 41, 41, 41)
_MOST_STEPS = 80


@dataclass(frozen=True)
class GammaPoisson:
    """A fitted gamma-Poisson model and what it says of each machine.

    The gamma has the given `shape` and `rate` (mean shape / rate, in events per unit of exposure).
    `rates` are the shrunk rates (posterior means), `low` and `high` their equal-tailed intervals,
    `posterior_shape` and `posterior_rate` the gamma of each machine's true rate.
    `probability_worst` is the chance that a machine has the highest true rate; it adds up to 1
    over the machines with exposure, and is 0 for a machine without.

    When `pooled` is true the data show no spread between machines: shape and rate are infinite,
    all machines share one rate, its interval is the exact one of the pooled count, and no machine
    is more likely the worst than another.
    """

    shape: float
    rate: float
    mean: float
    log_likelihood: float
    pooled: bool
    rates: FloatArray
    low: FloatArray
    high: FloatArray
    posterior_shape: FloatArray
    posterior_rate: FloatArray
    probability_worst: FloatArray
    confidence: float


def gamma_poisson(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    confidence: float = 0.95,
    prior: tuple[float, float] | None = None,
) -> GammaPoisson:
    """Fit the gamma-Poisson model by maximum marginal likelihood and shrink each rate.

    Formula: x_i ~ Poisson(n_i r_i), r_i ~ Gamma(shape a, rate b); marginally x_i is negative
    binomial, and a, b maximise sum [lnG(x_i + a) - lnG(a) - lnG(x_i + 1) + a ln(b / (b + n_i))
    + x_i ln(n_i / (b + n_i))]. Given them r_i ~ Gamma(a + x_i, b + n_i). Assumes machines that are
    alike but for their rate; the intervals take a and b as known, so with few machines they are
    somewhat too narrow. A machine without exposure tells nothing, whatever its count: it gets the
    plant's distribution.

    Args:
        counts: events per machine, whole numbers.
        exposures: what they were seen in, such as strokes, any unit; not all 0.
        confidence: of the intervals, two-sided.
        prior: a known (shape, rate) to use instead of fitting.
    Returns: GammaPoisson; rates are per one unit of exposure.
    Raises: ValueError naming the argument.
    Source: Efron and Hastie (2016), Computer Age Statistical Inference, sec. 6.1; unequal exposure
        as in Gaver and O'Muircheartaigh (1987), Technometrics 29:1-15.
    Example: ten pumps with 1 to 22 failures in 1 to 126 thousand hours have shape 0.8223 and rate
        1.259; pump 1 (5 in 94.32) shrinks to 0.0609.
    """
    events, seen_in = broadcast(
        counts=as_counts("counts", counts), exposures=as_amounts("exposures", exposures)
    )
    as_series("counts", events)
    require((seen_in > 0).any(), "exposures must be above 0 for at least one machine")
    events = np.where(seen_in > 0, events, 0.0)
    sure = as_probability("confidence", confidence)
    if prior is None:
        fitted = fit_gamma(events, seen_in)
        if fitted is None:
            return _pooled(events, seen_in, sure)
        shape, rate = fitted
    else:
        shape = one_number("prior", prior[0], above=0)
        rate = one_number("prior", prior[1], above=0)
    return _shrunk(events, seen_in, shape, rate, sure)


def _shrunk(
    events: FloatArray, seen_in: FloatArray, shape: float, rate: float, confidence: float
) -> GammaPoisson:
    from scipy.special import gammaincinv

    after_shape, after_rate = shape + events, rate + seen_in
    tail = (1 - confidence) / 2
    compared = seen_in > 0
    worst = np.zeros(events.shape)
    worst[compared] = probability_highest(after_shape[compared], after_rate[compared])
    return GammaPoisson(
        shape=shape,
        rate=rate,
        mean=shape / rate,
        log_likelihood=log_marginal_likelihood(events, seen_in, shape, rate),
        pooled=False,
        rates=after_shape / after_rate,
        low=gammaincinv(after_shape, tail) / after_rate,
        high=gammaincinv(after_shape, 1 - tail) / after_rate,
        posterior_shape=after_shape,
        posterior_rate=after_rate,
        probability_worst=worst,
        confidence=confidence,
    )


def _pooled(events: FloatArray, seen_in: FloatArray, confidence: float) -> GammaPoisson:
    """All machines share the pooled rate: the limit of no spread between them."""
    total = float(seen_in.sum())
    mean = float(events.sum()) / total
    exact = poisson_interval(float(events.sum()), confidence)
    compared = seen_in > 0
    alike = np.full(events.shape, np.inf)
    return GammaPoisson(
        shape=np.inf,
        rate=np.inf,
        mean=mean,
        log_likelihood=_poisson_log_likelihood(events, seen_in, mean),
        pooled=True,
        rates=np.full(events.shape, mean),
        low=np.full(events.shape, exact.low / total),
        high=np.full(events.shape, exact.high / total),
        posterior_shape=alike,
        posterior_rate=alike.copy(),
        probability_worst=np.where(compared, 1 / compared.sum(), 0.0),
        confidence=confidence,
    )


def _poisson_log_likelihood(events: FloatArray, seen_in: FloatArray, mean: float) -> float:
    from scipy.special import gammaln, xlogy

    expected = mean * seen_in
    return float((xlogy(events, expected) - expected - gammaln(events + 1)).sum())


def log_marginal_likelihood(
    counts: npt.ArrayLike, exposures: npt.ArrayLike, shape: float, rate: float
) -> float:
    """Log probability of the counts under the gamma-Poisson model (natural logarithm).

    Formula: as in `gamma_poisson`, a sum of negative-binomial log probabilities.

    Args: counts, exposures: one per machine. shape, rate: of the gamma, above 0.
    Raises: ValueError naming the argument.
    Source: Efron and Hastie (2016), Computer Age Statistical Inference, sec. 6.1.
    Example: the ten pumps at shape 0.8223 and rate 1.259 give -32.263.
    """
    from scipy.special import gammaln, xlogy

    events, seen_in = as_counts("counts", counts), as_amounts("exposures", exposures)
    a, b = one_number("shape", shape, above=0), one_number("rate", rate, above=0)
    terms = (
        gammaln(events + a)
        - gammaln(a)
        - gammaln(events + 1)
        - a * np.log1p(seen_in / b)
        + xlogy(events, seen_in / (b + seen_in))
    )
    return float(terms.sum())


def fit_gamma(counts: npt.ArrayLike, exposures: npt.ArrayLike) -> tuple[float, float] | None:
    """Shape and rate of the gamma by maximum marginal likelihood; None if there is no spread.

    For each shape a the best mean m solves sum (x - m n) / (a + m n) = 0; the shape is searched on
    a grid of its logarithm and then refined. None means that the likelihood is highest where all
    machines have one rate (also: no event at all, or one machine only).

    Args, Raises, Source: as `gamma_poisson`.
    Example: fit_gamma on the ten pumps gives (0.8223, 1.259).
    """
    events, seen_in = as_counts("counts", counts), as_amounts("exposures", exposures)
    used = seen_in > 0
    events, seen_in = events[used], seen_in[used]
    if events.size < 2 or not events.any():
        return None
    scale = float(seen_in.sum() / events.sum())
    # Exposure in units of the mean distance between events, so that every mean is about 1.
    # Machines with the same count and exposure are worked out once.
    kinds, weights = np.unique(np.stack([events, seen_in / scale]), axis=1, return_counts=True)
    low, high = np.log(_SMALLEST_SHAPE), np.log(_LARGEST_SHAPE)
    for points in _SEARCH:
        shapes = np.exp(np.linspace(low, high, points))
        means, likelihoods = _profile(kinds[0], kinds[1], weights, shapes)
        best = int(likelihoods.argmax())
        low, high = np.log(shapes[max(best - 1, 0)]), np.log(shapes[min(best + 1, points - 1)])
    shape, mean = float(shapes[best]), float(means[best])
    alike = _poisson_log_likelihood(events, seen_in, 1 / scale)
    likelihood = log_marginal_likelihood(events, seen_in, shape, shape / mean * scale)
    if shape > _LARGEST_SHAPE / 2 or likelihood < alike + _LEAST_GAIN:
        return None
    return shape, shape / mean * scale


def _profile(
    events: FloatArray, seen_in: FloatArray, weights: IntArray, shapes: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Best mean for each of several shapes, and the log likelihood there but for a constant."""
    from scipy.special import gammaln, xlogy

    a = shapes[:, None]
    rates = events / seen_in
    low, high = np.full(shapes.shape, rates.min()), np.full(shapes.shape, rates.max())
    mean = np.full(shapes.shape, float(weights @ events) / float(weights @ seen_in))
    for _ in range(_MOST_STEPS):
        below = a + mean[:, None] * seen_in
        slope = ((events - mean[:, None] * seen_in) / below) @ weights
        low, high = np.where(slope > 0, mean, low), np.where(slope > 0, high, mean)
        # Newton's step, or the middle where it would leave the bracket.
        ahead = mean + slope / ((seen_in * (a + events) / below**2) @ weights)
        ahead = np.where((low < ahead) & (ahead < high), ahead, (low + high) / 2)
        done = np.abs(ahead - mean) <= 1e-14 * mean
        mean = np.where(done, mean, ahead)
        if done.all():
            break
    ratio = mean[:, None] * seen_in / a
    terms = gammaln(events + a) - gammaln(a) - (a + events) * np.log1p(ratio) + xlogy(events, ratio)
    return mean, np.asarray(terms @ weights, dtype=np.float64)


def probability_highest(shapes: npt.ArrayLike, rates: npt.ArrayLike) -> FloatArray:
    """Chance that each of several independent gamma variables is the largest of them.

    Formula: P_i = integral of f_i(r) prod_(j != i) F_j(r) dr, by the trapezoidal rule in F_i over
    the joint set of quantiles of all variables; no simulation. Error below about 1e-4.

    Args: shapes, rates: of the gammas, same length, above 0.
    Returns: probabilities that add up to 1.
    Raises: ValueError naming the argument.
    Source: the definition; for two variables a beta integral, Johnson, Kotz and Balakrishnan
        (1994), Continuous Univariate Distributions 1, ch. 17 (from memory).
    Example: shapes [5, 2] with rates [1, 1] give 0.891 and 0.109.
    """
    from scipy.special import gammainc, gammaincinv

    a, b = broadcast(
        shapes=as_amounts("shapes", shapes, positive=True),
        rates=as_amounts("rates", rates, positive=True),
    )
    size = as_series("shapes", a).size
    if size == 1:
        return np.ones(1)
    inner = np.linspace(0, 1, max(41, 6000 // size))[1:-1]
    tails = np.array([1e-12, 1e-9, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3])
    chances = np.sort(np.concatenate([tails, inner, 1 - tails]))
    points = np.unique(gammaincinv(a[:, None], chances) / b[:, None])
    # No variable can be the largest below the highest of the lower ends.
    points = points[points >= (gammaincinv(a, 1e-12) / b).max()]
    below = gammainc(a[:, None], points * b[:, None])
    first, last = np.ones_like(below), np.ones_like(below)
    first[1:] = np.cumprod(below[:-1], axis=0)
    last[:-1] = np.cumprod(below[:0:-1], axis=0)[::-1]
    others = first * last
    chance = (np.diff(below, axis=1) * (others[:, 1:] + others[:, :-1]) / 2).sum(axis=1)
    return np.asarray(chance / chance.sum(), dtype=np.float64)


def robbins_estimate(frequencies: npt.ArrayLike) -> FloatArray:
    """Mean rate of those with count x, without any assumption on how rates are spread.

    Formula: E(rate | x) = (x + 1) f(x + 1) / f(x), where f(x) is how many had count x. Assumes
    equal exposures; noisy where f is small. nan where f(x) is 0.

    Args: frequencies: how many had 0, 1, 2, ... events.
    Returns: one estimate for each x but the last, per one exposure.
    Raises: ValueError naming the argument.
    Source: Robbins (1956); Efron and Hastie (2016), sec. 6.1, eq. 6.8 (number from memory).
    Example: 7840 policies without and 1317 with one claim give 0.168 for those without.
    """
    seen = as_series("frequencies", as_counts("frequencies", frequencies), least=2)
    estimate = np.full(seen.size - 1, np.nan)
    following = np.arange(1, seen.size) * seen[1:]
    np.divide(following, seen[:-1], out=estimate, where=seen[:-1] > 0)
    return estimate
