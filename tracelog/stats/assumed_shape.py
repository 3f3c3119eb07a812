"""What can be said of lives when few parts or none have failed: the shape is assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy.typing as npt

from tracelog.stats.inputs import as_lives, as_probability, one_number, require
from tracelog.stats.weibull_likelihood import WeibullLikelihood


@dataclass(frozen=True)
class ScaleGivenShape:
    """The scale of a Weibull distribution of assumed shape, and the least it may be.

    `scale` is infinite without a failure; `low` is a one-sided bound at `confidence`.
    """

    shape: float
    scale: float
    low: float
    failures: int
    confidence: float

    def life_low(self, failed: float) -> float:
        """The least age by which a share may have failed (0.10: B10 life), one-sided."""
        share = as_probability("failed", failed)
        return self.low * math.exp(math.log(-math.log1p(-share)) / self.shape)


def scale_given_shape(
    ages: npt.ArrayLike,
    failed: npt.ArrayLike,
    shape: float,
    entries: npt.ArrayLike | None = None,
    *,
    confidence: float = 0.95,
) -> ScaleGivenShape:
    """Scale of a Weibull distribution whose shape is assumed, with a lower bound.

    Formula: with r failures scale = (sum (t^k - e^k) / r)^(1/k) and its lower bound
    (2 sum (t^k - e^k) / chi2(confidence; 2 r + 2))^(1/k). Holds without any failure. Assumes that
    the shape is right: it comes from other records or from what is known of the part.

    Args: ages, failed, entries: as `fit_weibull`. shape: assumed, above 0. confidence: one-sided.
    Raises: ValueError naming the argument.
    Source: Nelson (1985), J. Quality Technology 17:140-146; bound for shape 1 as Epstein and Sobel
        (1953), J. American Statistical Association 48:486-502.
    Example: ten parts that reached 1000 without a failure, shape 2: the scale is at least 1827.
    """
    from scipy.special import gammainccinv

    k = one_number("shape", shape, above=0)
    likelihood = WeibullLikelihood(as_lives(ages, failed, entries))
    tail = 1 - as_probability("confidence", confidence)
    failures, exposure = likelihood.failures, float(likelihood.log_exposure(k))
    log_top = math.log(likelihood.top)
    most = float(gammainccinv(failures + 1, tail))
    log_low = (exposure - math.log(most)) / k + log_top
    log_scale = (exposure - math.log(failures)) / k + log_top if failures else 0.0
    require(max(log_low, log_scale) < 700, "shape must leave a scale that a number can hold")
    return ScaleGivenShape(
        shape=k,
        scale=math.exp(log_scale) if failures else math.inf,
        low=math.exp(log_low),
        failures=failures,
        confidence=confidence,
    )
