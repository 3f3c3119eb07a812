"""Lives of parts, some of which were taken out before they failed: Weibull and Kaplan-Meier."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    as_amounts,
    as_probability,
    as_series,
    one_number,
    require,
)
from tracelog.stats.intervals import Interval


@dataclass(frozen=True)
class Weibull:
    """A Weibull distribution fitted to lives.

    `shape` below 1 means that failures become rarer with age, above 1 more frequent; `scale` is the
    age by which 63.2 % have failed, in the unit of the lives. `covariance` is that of
    (ln shape, ln scale).
    """

    shape: float
    scale: float
    log_likelihood: float
    aic: float
    failures: int
    lives: int
    covariance: FloatArray

    @property
    def mean(self) -> float:
        """Mean life: scale x G(1 + 1 / shape)."""
        return self.scale * math.gamma(1 + 1 / self.shape)

    @property
    def standard_deviation(self) -> float:
        """Standard deviation of life: scale x sqrt(G(1 + 2 / shape) - G(1 + 1 / shape)^2)."""
        second = math.gamma(1 + 2 / self.shape)
        return self.scale * math.sqrt(second - math.gamma(1 + 1 / self.shape) ** 2)

    def survival(self, age: npt.ArrayLike) -> FloatArray:
        """Share that outlives an age: exp(-(age / scale)^shape)."""
        reached = as_amounts("age", age)
        return np.asarray(np.exp(-((reached / self.scale) ** self.shape)), dtype=np.float64)

    def chance_of_failure(self, age: npt.ArrayLike, further: npt.ArrayLike) -> FloatArray:
        """Chance that a part which has reached `age` fails within `further` more."""
        reached, more = as_amounts("age", age), as_amounts("further", further)
        start, end = reached / self.scale, (reached + more) / self.scale
        hazard = end**self.shape - start**self.shape
        return np.asarray(-np.expm1(-hazard), dtype=np.float64)

    def life(self, failed: float, confidence: float = 0.95) -> Interval[float]:
        """Age by which a share has failed (0.10: B10 life), with a normal interval of its log."""
        share = as_probability("failed", failed)
        depth = math.log(-math.log1p(-share))
        slope = np.array([-depth / self.shape, 1.0])
        age = self.scale * math.exp(depth / self.shape)
        return _log_interval(age, float(slope @ self.covariance @ slope), confidence)

    def shape_interval(self, confidence: float = 0.95) -> Interval[float]:
        """Interval of the shape, normal on its logarithm; if it holds 1, age may not matter."""
        return _log_interval(self.shape, float(self.covariance[0, 0]), confidence)

    def scale_interval(self, confidence: float = 0.95) -> Interval[float]:
        """Interval of the scale, normal on its logarithm."""
        return _log_interval(self.scale, float(self.covariance[1, 1]), confidence)


def _log_interval(value: float, variance: float, confidence: float) -> Interval[float]:
    from scipy.special import ndtri

    z = float(ndtri(1 - (1 - as_probability("confidence", confidence)) / 2))
    reach = math.exp(z * math.sqrt(variance))
    return Interval(value, value / reach, value * reach, confidence)


def _lives(ages: npt.ArrayLike, failed: npt.ArrayLike) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    t = as_series("ages", as_amounts("ages", ages, positive=True))
    mask = np.asarray(failed)
    sound = mask.shape == t.shape and bool(np.isin(mask, (0, 1)).all())
    require(sound, "failed must hold true (failed) or false (taken out before) for each age")
    return t, mask.astype(np.bool_)


def fit_weibull(ages: npt.ArrayLike, failed: npt.ArrayLike) -> Weibull:
    """Fit a Weibull distribution by maximum likelihood to lives, some censored on the right.

    Formula: the shape k solves 1/k + mean ln t of the failures = sum t^k ln t / sum t^k over all;
    scale^k = sum t^k / failures. The covariance is the inverse observed information. Assumes that
    parts taken out early were not taken out because they were about to fail. With few failures
    (under 5 to 10, common practice) the shape is biased upward and its interval rough.

    Args:
        ages: life so far or at the end of each part, above 0, any unit.
        failed: true where it failed, false where it was taken out or still runs.
    Returns: Weibull.
    Raises: ValueError naming the argument; also if no part failed, or if all failures lie at the
        highest age, so that no shape is best.
    Source: Cohen (1965), Technometrics 7:579-588; NIST/SEMATECH e-Handbook 8.4.1.3.
    Example: 10 failures of 20 units in 500 hours: shape 1.7208, scale 606.528.
    """
    t, mask = _lives(ages, failed)
    failures = int(mask.sum())
    require(failures > 0, "failed must hold at least one failure")
    top = float(t.max())
    require((t[mask] < top).any(), "ages must hold a failure below the highest age")
    log_t = np.log(t / top)
    shape = _best_shape(log_t, float(log_t[mask].mean()))
    powers = np.exp(shape * log_t)
    scale = top * (float(powers.sum()) / failures) ** (1 / shape)
    # w = shape x ln(t / scale), so that exp(w) is the cumulative hazard at t.
    w = shape * np.log(t / scale)
    hazard = np.exp(w)
    log_likelihood = float(
        failures * math.log(shape) + (w[mask] - np.log(t[mask])).sum() - hazard.sum()
    )
    cross = -shape * float((w * hazard).sum())
    information = np.array(
        [
            [float((w * hazard + w**2 * hazard).sum() - w[mask].sum()), cross],
            [cross, shape**2 * float(hazard.sum())],
        ]
    )
    return Weibull(
        shape=shape,
        scale=scale,
        log_likelihood=log_likelihood,
        aic=4 - 2 * log_likelihood,
        failures=failures,
        lives=t.size,
        covariance=np.linalg.inv(information),
    )


def _best_shape(log_t: FloatArray, mean_failed: float) -> float:
    """Root of the shape equation; log_t at most 0, so that no power overflows."""

    def excess(shape: float) -> float:
        powers = np.exp(shape * log_t)
        return 1 / shape + mean_failed - float(powers @ log_t) / float(powers.sum())

    low, high = 1e-3, 1.0
    while excess(low) < 0:
        low /= 2
    while excess(high) > 0:
        high *= 2
    for _ in range(200):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True)
class ExponentialLife:
    """Mean life if failures do not depend on age, with its exact interval by failures seen."""

    mean: float
    low: float
    high: float
    failures: int
    confidence: float


def exponential_life(
    ages: npt.ArrayLike, failed: npt.ArrayLike, confidence: float = 0.95
) -> ExponentialLife:
    """Mean life if the hazard is constant: total age / failures.

    Formula: mean = sum t / r; low = 2 sum t / chi2(1 - a/2; 2 r + 2), high =
    2 sum t / chi2(a/2; 2 r); without a failure mean and high are infinite. Assumes a test that ends
    at fixed ages.

    Args: as `fit_weibull`. confidence: two-sided.
    Raises: ValueError naming the argument.
    Source: Epstein and Sobel (1953), J. American Statistical Association 48:486-502; Nelson (1982),
        Applied Life Data Analysis.
    Example: 12 failures of 70 fans in 344,440 hours: mean 28,703 hours.
    """
    from scipy.special import gammainccinv, gammaincinv

    t, mask = _lives(ages, failed)
    tail = (1 - as_probability("confidence", confidence)) / 2
    total, failures = float(t.sum()), int(mask.sum())
    return ExponentialLife(
        mean=total / failures if failures else math.inf,
        low=total / float(gammainccinv(failures + 1, tail)),
        high=total / float(gammaincinv(failures, tail)) if failures else math.inf,
        failures=failures,
        confidence=confidence,
    )


@dataclass(frozen=True)
class KaplanMeier:
    """Share still alive after each age at which something failed, with standard errors."""

    ages: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    survival: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray
    confidence: float

    def at(self, age: float) -> float:
        """Share alive just after an age; beyond the last age it stays at the last value."""
        place = int(np.searchsorted(self.ages, one_number("age", age), side="right"))
        return float(self.survival[place - 1]) if place else 1.0

    def median(self) -> float:
        """First age at which no more than half are alive; nan if it never comes to that."""
        below = np.flatnonzero(self.survival <= 0.5 + 1e-12)
        return float(self.ages[below[0]]) if below.size else math.nan


def kaplan_meier(
    ages: npt.ArrayLike, failed: npt.ArrayLike, confidence: float = 0.95
) -> KaplanMeier:
    """Share alive by age without any assumption on the form of the life distribution.

    Formula: S = product of (1 - d / n) over the ages up to now at which d of n at risk failed;
    standard error S sqrt(sum d / (n (n - d))) (Greenwood); interval normal on ln(-ln S). A part
    taken out at the very age of a failure counts as at risk then. Where S is 0 the standard error
    and the interval are 0.

    Args: as `fit_weibull`. confidence: two-sided.
    Raises: ValueError naming the argument.
    Source: Kaplan and Meier (1958), J. American Statistical Association 53:457-481; Greenwood
        (1926).
    Example: the 21 patients given 6-MP have S(6) = 0.857 with standard error 0.0764.
    """
    from scipy.special import ndtri

    t, mask = _lives(ages, failed)
    z = float(ndtri(1 - (1 - as_probability("confidence", confidence)) / 2))
    steps, deaths = np.unique(t[mask], return_counts=True)
    failures = deaths.astype(np.float64)
    at_risk = (t.size - np.searchsorted(np.sort(t), steps, side="left")).astype(np.float64)
    survival = np.asarray(np.cumprod(1 - failures / at_risk), dtype=np.float64)
    alive = at_risk > failures
    terms = np.divide(
        failures, at_risk * (at_risk - failures), out=np.zeros(steps.shape), where=alive
    )
    relative = np.sqrt(np.cumsum(terms))
    # ln(-ln S) is not defined where nobody is left.
    log_s = np.log(np.where(alive, survival, 0.5))
    reach = np.exp(z * relative / -log_s)
    return KaplanMeier(
        ages=steps,
        at_risk=at_risk,
        failures=failures,
        survival=survival,
        standard_error=survival * relative,
        low=np.where(alive, np.exp(log_s * reach), 0.0),
        high=np.where(alive, np.exp(log_s / reach), 0.0),
        confidence=confidence,
    )
