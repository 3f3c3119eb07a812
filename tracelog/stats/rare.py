"""Charts for rare events: what lies between one event and the next."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.chart import Chart, beyond, build_chart
from tracelog.stats.inputs import (
    FloatArray,
    as_amounts,
    as_counts,
    as_mask,
    as_probability,
    as_series,
    one_count,
    one_number,
    require,
)
from tracelog.stats.variables import ChartPair, individuals_chart

# The chance beyond each limit of a 3-sigma chart of normal data, which other charts then match.
_THREE_SIGMA_TAIL = 0.00135
# Power that turns exponential into nearly normal values (Nelson 1994).
_NEARLY_NORMAL = 0.2777


@dataclass(frozen=True)
class GeometricLimits:
    """Quantile limits of how many units it takes up to and including the next event."""

    lower: float
    median: float
    upper: float


def g_chart(
    units_between: npt.ArrayLike,
    fraction: float | None = None,
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
) -> Chart:
    """Chart of how many good units lie between two events, with 3-sigma limits.

    Formula: mean m = (1 - p) / p, limits m +/- sigmas sqrt(m (m + 1)), the lower one not below 0; p
    is known or estimated by the baseline's mean. Assumes geometric counts, that is one constant
    chance per unit. The lower limit is 0 in practice, so look for a worsening with
    `conforming_count_limits` or `gaps_chart` instead.

    Args:
        units_between: good units between successive events, whole numbers.
        fraction: known chance p of an event per unit; None: from the baseline.
        baseline: true for the gaps that set the centre; None: all.
        sigmas: half-width of the limits.
    Raises: ValueError naming the argument.
    Source: Kaminsky, Benneyan, Davis and Burke (1992), J. Quality Technology 24(2) 63-69.
    Example: fraction 0.01 has mean 99 and upper limit 397.5.
    """
    gaps = as_series("units_between", as_counts("units_between", units_between))
    mask = as_mask("baseline", baseline, gaps.size)
    if fraction is None:
        require(mask.any(), "baseline must hold at least one gap")
        mean = float(gaps[mask].mean())
    else:
        chance = as_probability("fraction", fraction)
        mean = (1 - chance) / chance
    error = np.full(gaps.shape, math.sqrt(mean * (mean + 1)))
    width = one_number("sigmas", sigmas, above=0)
    return build_chart("g", gaps, mean, error, mask, width, bounds=(0.0, np.inf))


def conforming_count_limits(fraction: float, tail: float = _THREE_SIGMA_TAIL) -> GeometricLimits:
    """Limits of the cumulative count of conforming units up to and including the event.

    Formula: ln(1 - tail) / ln(1 - p), ln(0.5) / ln(1 - p) and ln(tail) / ln(1 - p). Assumes one
    constant chance p per unit. A count below the lower limit speaks for a worsening.

    Args: fraction: chance p of an event per unit. tail: chance beyond each limit.
    Raises: ValueError naming the argument.
    Source: Goh (1987); Xie and Goh, cumulative count of conforming chart.
    Example: fraction 0.01 has limits 0.1344 and 657.5, median 68.97.
    """
    log_good = math.log1p(-as_probability("fraction", fraction))
    outside = as_probability("tail", tail)
    return GeometricLimits(
        math.log1p(-outside) / log_good, math.log(0.5) / log_good, math.log(outside) / log_good
    )


def gaps_chart(
    strokes_between: npt.ArrayLike,
    mean: float | None = None,
    baseline: npt.ArrayLike | None = None,
    tail: float = _THREE_SIGMA_TAIL,
    events_per_gap: int = 1,
) -> Chart:
    """Chart of strokes between events with exact quantile limits; short gaps are bad news.

    Formula: a gap over r events is gamma distributed with shape r and mean r m; the limits are its
    quantiles at `tail` and 1 - `tail`, the centre its median, z the normal score of its chance (so
    that run rules apply). For r = 1: lower -m ln(1 - tail), median m ln 2, upper -m ln(tail).
    Assumes a constant rate per stroke. One gap tells little: with r = 1 the rate must rise several
    hundred times before a single gap is likely to fall below the lower limit; take r of 3 to 10 to
    find a worsening.

    Args:
        strokes_between: exposure between one event and the next, 0 or more, in time order.
        mean: known exposure per event; None: from the baseline.
        baseline: true for the gaps that set the mean; None: all.
        tail: chance beyond each limit.
        events_per_gap: r, how many events one gap spans.
    Raises: ValueError naming the argument.
    Source: exponential and gamma quantiles; Xie, Goh and Ranjan (2002), Reliability Engineering and
        System Safety 77:143-150 (from memory).
    Example: mean 100 strokes has limits 0.135 and 660.8, median 69.3.
    """
    gaps = as_series("strokes_between", as_amounts("strokes_between", strokes_between))
    mask = as_mask("baseline", baseline, gaps.size)
    shape = one_count("events_per_gap", events_per_gap, least=1)
    outside = as_probability("tail", tail)
    require(outside < 0.5, "tail must be below 0.5")
    if mean is None:
        require(gaps[mask].any(), "baseline must hold at least one gap above 0")
        per_event = float(gaps[mask].mean()) / shape
    else:
        per_event = one_number("mean", mean, above=0)
    return _quantile_chart(gaps, shape, per_event, outside, mask)


def _quantile_chart(
    gaps: FloatArray, shape: int, per_event: float, tail: float, mask: npt.NDArray[np.bool_]
) -> Chart:
    from scipy.special import gammainc, gammaincc, gammainccinv, gammaincinv, ndtri

    lower = np.full(gaps.shape, float(gammaincinv(shape, tail)) * per_event)
    upper = np.full(gaps.shape, float(gammainccinv(shape, tail)) * per_event)
    centre = float(gammaincinv(shape, 0.5)) * per_event
    # Each tail from its own side, or a long gap would have chance 1 and an infinite score.
    below, above = gammainc(shape, gaps / per_event), gammaincc(shape, gaps / per_event)
    z = np.where(below < above, ndtri(below), -ndtri(above))
    return Chart(
        method="gaps",
        statistic=gaps,
        centre=centre,
        upper=upper,
        lower=lower,
        outside=beyond(gaps, lower, upper),
        z=z,
        baseline=mask,
        sigmas=float(-ndtri(tail)),
        centre_line=np.full(gaps.shape, centre),
    )


def power_transform(between: npt.ArrayLike) -> FloatArray:
    """Make times between events nearly normal: y = x^0.2777.

    Assumes exponential times. Args: between: 0 or more, any unit. Returns: y, same shape.
    Raises: ValueError naming the argument.
    Source: Nelson (1994), J. Quality Technology 26(3) 239-240.
    Example: power_transform(286) is 4.80986.
    """
    return np.asarray(as_amounts("between", between) ** _NEARLY_NORMAL, dtype=np.float64)


def transformed_gaps_chart(
    between: npt.ArrayLike, baseline: npt.ArrayLike | None = None, sigmas: float = 3.0
) -> ChartPair:
    """Individuals and moving-range chart of transformed times between events.

    Formula: `power_transform`, then `individuals_chart`. Values are on the transformed scale.

    Args, Raises: as `individuals_chart`, values 0 or more.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., Example 7.6.
    Example: the 20 published valve failures have mean 5.387 and limits -0.89 and 11.66.
    """
    return individuals_chart(power_transform(between), baseline, sigmas)
