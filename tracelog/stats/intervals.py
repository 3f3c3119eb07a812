"""Exact intervals for a count, a rate and a fraction, and bounds where nothing was found.

Every function takes one number or arrays. One number gives plain floats, arrays give arrays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar, overload

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    as_amounts,
    as_counts,
    as_probability,
    broadcast,
    one_number,
    require,
    scalar_or_array,
)

Number = TypeVar("Number", float, FloatArray)


@dataclass(frozen=True)
class Interval(Generic[Number]):
    """An interval and how sure it is; `estimate` is the plain estimate it surrounds."""

    estimate: Number
    low: Number
    high: Number
    confidence: float


def _poisson_limits(count: FloatArray, tail: float) -> tuple[FloatArray, FloatArray]:
    """Lower and upper limits of a Poisson mean, each missing with probability `tail`."""
    from scipy.special import gammainccinv, gammaincinv

    low = np.where(count > 0, gammaincinv(np.maximum(count, 1), tail), 0.0)
    return low, np.asarray(gammainccinv(count + 1, tail), dtype=np.float64)


def _binomial_limits(
    defective: FloatArray, inspected: FloatArray, tail: float
) -> tuple[FloatArray, FloatArray]:
    """Lower and upper limits of a fraction, each missing with probability `tail`."""
    from scipy.special import betaincinv

    good = inspected - defective
    low = np.where(defective > 0, betaincinv(np.maximum(defective, 1), good + 1, tail), 0.0)
    high = np.where(good > 0, betaincinv(defective + 1, np.maximum(good, 1), 1 - tail), 1.0)
    return low, high


def _sample(
    defective: npt.ArrayLike, inspected: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Checked defective and inspected in one shape, and the fraction (nan where none)."""
    bad, seen = broadcast(
        defective=as_counts("defective", defective), inspected=as_counts("inspected", inspected)
    )
    require((bad <= seen).all(), "defective must not be more than inspected")
    fraction = np.full(bad.shape, np.nan)
    np.divide(bad, seen, out=fraction, where=seen > 0)
    return bad, seen, fraction


@overload
def poisson_interval(count: float, confidence: float = 0.95) -> Interval[float]: ...
@overload
def poisson_interval(count: npt.ArrayLike, confidence: float = 0.95) -> Interval[FloatArray]: ...
def poisson_interval(
    count: npt.ArrayLike, confidence: float = 0.95
) -> Interval[float] | Interval[FloatArray]:
    """Exact two-sided interval of the mean of a Poisson count.

    Formula: low = chi2(a/2; 2c)/2 and high = chi2(1 - a/2; 2c + 2)/2 with a = 1 - confidence;
    low is 0 where the count is 0. Assumes independent events at one constant rate; coverage is
    then at least the confidence.

    Args:
        count: events seen, whole numbers, any shape.
        confidence: two-sided, between 0 and 1.
    Returns: Interval in events.
    Raises: ValueError naming the argument.
    Source: Garwood (1936), Biometrika 28:437-442.
    Example: poisson_interval(10) is 4.795 to 18.390.
    """
    events = as_counts("count", count)
    low, high = _poisson_limits(events, (1 - as_probability("confidence", confidence)) / 2)
    return Interval(
        scalar_or_array(events), scalar_or_array(low), scalar_or_array(high), confidence
    )


@overload
def rate_interval(
    count: float, exposure: float, per: float = 1e6, confidence: float = 0.95
) -> Interval[float]: ...
@overload
def rate_interval(
    count: npt.ArrayLike, exposure: npt.ArrayLike, per: float = 1e6, confidence: float = 0.95
) -> Interval[FloatArray]: ...
def rate_interval(
    count: npt.ArrayLike, exposure: npt.ArrayLike, per: float = 1e6, confidence: float = 0.95
) -> Interval[float] | Interval[FloatArray]:
    """Exact two-sided interval of a rate: the Poisson interval divided by the exposure.

    Assumes as `poisson_interval`. Where the exposure is 0 nothing is known: the estimate is nan,
    the interval 0 to infinity.

    Args:
        count: events seen, whole numbers.
        exposure: what they were seen in, such as strokes; same shape as count or one number.
        per: the rate is given per this much exposure (1e6: per million strokes).
        confidence: two-sided, between 0 and 1.
    Returns: Interval in events per `per` of exposure.
    Raises: ValueError naming the argument.
    Source: Garwood (1936), Biometrika 28:437-442.
    Example: 12 in 4 million strokes are 3.0 per million, interval 1.550 to 5.240.
    """
    events, seen_in = broadcast(
        count=as_counts("count", count), exposure=as_amounts("exposure", exposure)
    )
    scale = one_number("per", per, above=0)
    low, high = _poisson_limits(events, (1 - as_probability("confidence", confidence)) / 2)
    known = seen_in > 0
    factor = scale / np.where(known, seen_in, 1.0)
    return Interval(
        scalar_or_array(np.where(known, events * factor, np.nan)),
        scalar_or_array(np.where(known, low * factor, 0.0)),
        scalar_or_array(np.where(known, high * factor, np.inf)),
        confidence,
    )


@overload
def binomial_interval(
    defective: float, inspected: float, confidence: float = 0.95
) -> Interval[float]: ...
@overload
def binomial_interval(
    defective: npt.ArrayLike, inspected: npt.ArrayLike, confidence: float = 0.95
) -> Interval[FloatArray]: ...
def binomial_interval(
    defective: npt.ArrayLike, inspected: npt.ArrayLike, confidence: float = 0.95
) -> Interval[float] | Interval[FloatArray]:
    """Exact two-sided interval of a fraction defective.

    Formula: low = B(a/2; x, n - x + 1) and high = B(1 - a/2; x + 1, n - x), quantiles of the beta
    distribution. Assumes independent items with one constant chance; coverage is then at least the
    confidence. Where nothing was inspected the estimate is nan, the interval 0 to 1.

    Args:
        defective: bad items, whole numbers.
        inspected: items looked at, whole numbers, same shape or one number.
        confidence: two-sided, between 0 and 1.
    Returns: Interval as fractions between 0 and 1.
    Raises: ValueError naming the argument.
    Source: Clopper and Pearson (1934), Biometrika 26:404-413.
    Example: binomial_interval(4, 20, 0.90) is 0.071354 to 0.401029.
    """
    bad, seen, fraction = _sample(defective, inspected)
    low, high = _binomial_limits(bad, seen, (1 - as_probability("confidence", confidence)) / 2)
    return Interval(
        scalar_or_array(fraction), scalar_or_array(low), scalar_or_array(high), confidence
    )


@overload
def poisson_bounds(count: float, confidence: float = 0.95) -> Interval[float]: ...
@overload
def poisson_bounds(count: npt.ArrayLike, confidence: float = 0.95) -> Interval[FloatArray]: ...
def poisson_bounds(
    count: npt.ArrayLike, confidence: float = 0.95
) -> Interval[float] | Interval[FloatArray]:
    """One-sided bounds of a Poisson mean: each of low and high holds with the confidence alone.

    Formula: the limits of `poisson_interval` with the whole of 1 - confidence in one tail; with
    count 0 the upper bound is -ln(1 - confidence).

    Args and Raises: as `poisson_interval`.
    Source: Garwood (1936), Biometrika 28:437-442; Hanley and Lippman-Hand (1983), JAMA 249:1743.
    Example: poisson_bounds(0).high is 2.9957, the 3 of the rule of three.
    """
    events = as_counts("count", count)
    low, high = _poisson_limits(events, 1 - as_probability("confidence", confidence))
    return Interval(
        scalar_or_array(events), scalar_or_array(low), scalar_or_array(high), confidence
    )


@overload
def binomial_bounds(
    defective: float, inspected: float, confidence: float = 0.95
) -> Interval[float]: ...
@overload
def binomial_bounds(
    defective: npt.ArrayLike, inspected: npt.ArrayLike, confidence: float = 0.95
) -> Interval[FloatArray]: ...
def binomial_bounds(
    defective: npt.ArrayLike, inspected: npt.ArrayLike, confidence: float = 0.95
) -> Interval[float] | Interval[FloatArray]:
    """One-sided bounds of a fraction: each of low and high holds with the confidence alone.

    Formula: the limits of `binomial_interval` with the whole of 1 - confidence in one tail; with
    none defective the upper bound is 1 - (1 - confidence)^(1/n).

    Args and Raises: as `binomial_interval`.
    Source: Clopper and Pearson (1934); Hanley and Lippman-Hand (1983), JAMA 249:1743-1745.
    Example: binomial_bounds(0, 100).high is 0.0295.
    """
    bad, seen, fraction = _sample(defective, inspected)
    low, high = _binomial_limits(bad, seen, 1 - as_probability("confidence", confidence))
    return Interval(
        scalar_or_array(fraction), scalar_or_array(low), scalar_or_array(high), confidence
    )


def rule_of_three(inspected: float) -> float:
    """Rough 95 % upper bound of a fraction when none of the inspected items was bad: 3 / n.

    Args: inspected: items looked at, above 0. Returns: a fraction, at most 1.
    Source: Hanley and Lippman-Hand (1983), JAMA 249:1743-1745.
    Example: rule_of_three(14) is 0.214; the exact bound is 0.193.
    """
    return min(1.0, 3.0 / one_number("inspected", inspected, above=0))


def exposure_needed(rate_limit: float, count: int = 0, confidence: float = 0.95) -> float:
    """Exposure within which no more than `count` events show that the rate is below the limit.

    Formula: upper Poisson bound of the count / rate_limit; for count 0 it is
    -ln(1 - confidence) / rate_limit. Assumes a constant rate and that events are reported.

    Args:
        rate_limit: events per unit of exposure, above 0.
        count: events seen so far in that exposure.
        confidence: one-sided.
    Returns: exposure, in the unit of the rate.
    Source: Garwood (1936), Biometrika 28:437-442, one-sided upper limit.
    Example: 1 per million strokes (1e-6) needs 2,995,732 strokes without an event.
    """
    limit = one_number("rate_limit", rate_limit, above=0)
    return poisson_bounds(float(count), confidence).high / limit
