"""Lives of parts, some taken out before they failed, some seen from mid-life on only."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    Lives,
    as_amounts,
    as_lives,
    as_probability,
    require,
)
from tracelog.stats.intervals import Interval
from tracelog.stats.weibull_likelihood import LikelihoodRegion, WeibullLikelihood


@dataclass(frozen=True)
class Weibull:
    """A Weibull distribution fitted to lives.

    `shape` below 1 means that failures become rarer with age, above 1 more frequent; `scale` is the
    age by which 63.2 % have failed, in the unit of the lives. `covariance` is that of
    (ln shape, ln scale). All intervals are profile-likelihood intervals: every value for which the
    best fit with that value is less than chi2(confidence; 1) / 2 below the best of all.
    """

    shape: float
    scale: float
    log_likelihood: float
    aic: float
    failures: int
    lives: int
    covariance: FloatArray = field(compare=False)
    likelihood: WeibullLikelihood = field(repr=False, compare=False)

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

    def region(self, confidence: float = 0.95) -> LikelihoodRegion:
        """Shapes and scales that the lives do not rule out."""
        return self.likelihood.region(confidence)

    def life(self, failed: float, confidence: float = 0.95) -> Interval[float]:
        """Age by which a share has failed (0.10: B10 life), with its interval."""
        share = as_probability("failed", failed)
        depth = math.log(-math.log1p(-share))
        age = self.scale * math.exp(depth / self.shape)
        return _from_logs(age, self.region(confidence).log_life(depth), confidence)

    def shape_interval(self, confidence: float = 0.95) -> Interval[float]:
        """Interval of the shape; if it holds 1, age may not matter."""
        region = self.region(confidence)
        return Interval(self.shape, region.shape_low, region.shape_high, confidence)

    def scale_interval(self, confidence: float = 0.95) -> Interval[float]:
        """Interval of the scale."""
        return _from_logs(self.scale, self.region(confidence).log_life(0.0), confidence)


def _from_logs(value: float, ends: tuple[float, float], confidence: float) -> Interval[float]:
    with np.errstate(over="ignore"):
        low, high = np.exp(np.asarray(ends))
    return Interval(value, float(low), float(high), confidence)


def fit_weibull(
    ages: npt.ArrayLike, failed: npt.ArrayLike, entries: npt.ArrayLike | None = None
) -> Weibull:
    """Fit a Weibull distribution by maximum likelihood to lives that were seen only in part.

    Formula: the shape k solves 1/k + mean ln t of the failures = sum (t^k ln t - e^k ln e) /
    sum (t^k - e^k) over all, e the age at which a record begins; scale^k = sum (t^k - e^k) /
    failures. The covariance is the inverse observed information. Assumes that parts taken out
    early were not taken out because they were about to fail, and that a part entered in mid-life
    stands for all that reached that age. With few failures (under 5 to 10, common practice) the
    shape is biased upward and its interval rough.

    Args:
        ages: life so far or at the end of each part, above 0, any unit.
        failed: true where it failed, false where it was taken out or still runs.
        entries: age at which each part came under watch, 0 or more and below its age; None: all
            were watched from new.
    Returns: Weibull.
    Raises: ValueError naming the argument; also if no part failed, if all failures lie at the
        highest age, or if all parts came under watch so late that no shape is best.
    Source: Cohen (1965), Technometrics 7:579-588; NIST/SEMATECH e-Handbook 8.4.1.3; entries: Klein
        and Moeschberger (2003), Survival Analysis, 2nd ed., sec. 3.5.
    Example: 10 failures of 20 units in 500 hours: shape 1.7208, scale 606.528.
    """
    lives = as_lives(ages, failed, entries)
    likelihood = WeibullLikelihood(lives)
    shape = likelihood.best_shape()
    log_scale = float(likelihood.log_scale(shape))
    require(abs(log_scale) < 700, "ages and failed must fix a scale that a number can hold")
    log_likelihood = float(likelihood.profile(shape))
    return Weibull(
        shape=shape,
        scale=math.exp(log_scale),
        log_likelihood=log_likelihood,
        aic=4 - 2 * log_likelihood,
        failures=likelihood.failures,
        lives=lives.ages.size,
        covariance=np.asarray(
            np.linalg.inv(_information(lives, shape, log_scale)), dtype=np.float64
        ),
        likelihood=likelihood,
    )


def _information(lives: Lives, shape: float, log_scale: float) -> FloatArray:
    """Observed information of (ln shape, ln scale) at the best fit."""
    # w = shape x ln(t / scale), so that exp(w) is the cumulative hazard at t.
    w = shape * (np.log(lives.ages) - log_scale)
    begun = lives.entries > 0
    v = shape * (np.log(lives.entries[begun]) - log_scale)
    gone, before = np.exp(w), np.exp(v)
    first = float((w * gone).sum() - (v * before).sum())
    second = float((w**2 * gone).sum() - (v**2 * before).sum())
    cross = -shape * first
    return np.array(
        [
            [first + second - float(w[lives.failed].sum()), cross],
            [cross, shape**2 * float(gone.sum() - before.sum())],
        ]
    )


@dataclass(frozen=True)
class ExponentialLife:
    """Mean life if failures do not depend on age, with its exact interval by failures seen."""

    mean: float
    low: float
    high: float
    failures: int
    confidence: float


def exponential_life(
    ages: npt.ArrayLike,
    failed: npt.ArrayLike,
    entries: npt.ArrayLike | None = None,
    *,
    confidence: float = 0.95,
) -> ExponentialLife:
    """Mean life if the hazard is constant: total age seen / failures.

    Formula: T = sum (t - e); mean = T / r; low = 2 T / chi2(1 - a/2; 2 r + 2), high =
    2 T / chi2(a/2; 2 r); without a failure mean and high are infinite. Assumes a test that ends
    at fixed ages.

    Args: as `fit_weibull`. confidence: two-sided.
    Raises: ValueError naming the argument.
    Source: Epstein and Sobel (1953), J. American Statistical Association 48:486-502; Nelson (1982),
        Applied Life Data Analysis.
    Example: 12 failures of 70 fans in 344,440 hours: mean 28,703 hours.
    """
    from scipy.special import gammainccinv, gammaincinv

    lives = as_lives(ages, failed, entries)
    tail = (1 - as_probability("confidence", confidence)) / 2
    total, failures = float((lives.ages - lives.entries).sum()), int(lives.failed.sum())
    return ExponentialLife(
        mean=total / failures if failures else math.inf,
        low=total / float(gammainccinv(failures + 1, tail)),
        high=total / float(gammaincinv(failures, tail)) if failures else math.inf,
        failures=failures,
        confidence=confidence,
    )
