"""Control charts for counted data: u, c, p, np, and u and p with Laney's correction."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from tracelog.stats.chart import Chart, build_chart
from tracelog.stats.inputs import (
    BoolArray,
    FloatArray,
    as_amounts,
    as_counts,
    as_mask,
    as_series,
    broadcast,
    one_number,
    require,
)

__all__ = ["Chart", "c_chart", "laney_p_chart", "laney_u_chart", "np_chart", "p_chart", "u_chart"]

# Mean range of two standard normal values, d2(2), = 2 / sqrt(pi) = 1.12838.
_MEAN_RANGE_OF_TWO = 2 / math.sqrt(math.pi)


def _ratio(top: FloatArray, bottom: FloatArray) -> FloatArray:
    """top / bottom, nan where bottom is 0."""
    ratio = np.full(top.shape, np.nan)
    np.divide(top, bottom, out=ratio, where=bottom > 0)
    return ratio


def _centre(
    events: FloatArray, exposure: FloatArray, baseline: BoolArray, centre: float | None
) -> float:
    """The given centre, else events per exposure over the baseline points that have exposure."""
    if centre is not None:
        return one_number("centre", centre)
    used = baseline & (exposure > 0)
    require(used.any(), "baseline must hold at least one point with exposure")
    return float(events[used].sum() / exposure[used].sum())


def _spread_of_z(z: FloatArray, baseline: BoolArray) -> float:
    """Laney's sigma_z: mean moving range of the baseline's z scores over d2(2)."""
    used = z[baseline & np.isfinite(z)]
    require(used.size >= 2, "baseline must hold at least two points with exposure")
    return float(np.abs(np.diff(used)).mean() / _MEAN_RANGE_OF_TWO)


def _counts_and_exposure(
    counts: npt.ArrayLike, exposure: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    events, seen_in = broadcast(
        counts=as_counts("counts", counts), exposure=as_amounts("exposure", exposure)
    )
    return as_series("counts", events), seen_in


def _defective_and_inspected(
    defective: npt.ArrayLike, inspected: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    bad, seen = broadcast(
        defective=as_counts("defective", defective), inspected=as_counts("inspected", inspected)
    )
    require((bad <= seen).all(), "defective must not be more than inspected")
    return as_series("defective", bad), seen


def _u(
    counts: npt.ArrayLike,
    exposure: npt.ArrayLike,
    baseline: npt.ArrayLike | None,
    sigmas: float,
    centre: float | None,
    laney: bool,
) -> Chart:
    events, seen_in = _counts_and_exposure(counts, exposure)
    width = one_number("sigmas", sigmas, above=0)
    mask = as_mask("baseline", baseline, events.size)
    middle = _centre(events, seen_in, mask, centre)
    require(middle >= 0, "centre must be 0 or more")
    rate = _ratio(events, seen_in)
    error = np.sqrt(middle * _ratio(np.ones_like(seen_in), seen_in))
    plain = build_chart("u", rate, middle, error, mask, width, bounds=(0.0, np.inf))
    if not laney:
        return plain
    spread = _spread_of_z(plain.z, mask)
    return build_chart("Laney u'", rate, middle, error * spread, mask, width, (0.0, np.inf), spread)


def _p(
    defective: npt.ArrayLike,
    inspected: npt.ArrayLike,
    baseline: npt.ArrayLike | None,
    sigmas: float,
    centre: float | None,
    laney: bool,
) -> Chart:
    bad, seen = _defective_and_inspected(defective, inspected)
    width = one_number("sigmas", sigmas, above=0)
    mask = as_mask("baseline", baseline, bad.size)
    middle = _centre(bad, seen, mask, centre)
    require(0 <= middle <= 1, "centre must lie between 0 and 1")
    fraction = _ratio(bad, seen)
    error = np.sqrt(middle * (1 - middle) * _ratio(np.ones_like(seen), seen))
    plain = build_chart("p", fraction, middle, error, mask, width, bounds=(0.0, 1.0))
    if not laney:
        return plain
    spread = _spread_of_z(plain.z, mask)
    return build_chart("Laney p'", fraction, middle, error * spread, mask, width, (0, 1), spread)


def u_chart(
    counts: npt.ArrayLike,
    exposure: npt.ArrayLike,
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> Chart:
    """Chart of events per unit of exposure, with limits that follow each point's exposure.

    Formula: u_i = c_i / n_i; centre = sum c / sum n over the baseline; limits
    centre +/- sigmas sqrt(centre / n_i), the lower one not below 0. Assumes Poisson counts at one
    rate; a point without exposure has statistic nan and is never outside.

    Args:
        counts: events per point.
        exposure: what they were seen in, such as strokes; the rate is per one unit of this.
        baseline: true for the points that set the centre; None: all of them.
        sigmas: half-width of the limits in standard errors.
        centre: a known rate to use instead of the baseline's.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 7.3.1;
        ISO 7870-2 (u chart).
    Example: 153 faults in 107.5 units have centre 1.42; at 10 units the upper limit is 2.55.
    """
    return _u(counts, exposure, baseline, sigmas, centre, laney=False)


def laney_u_chart(
    counts: npt.ArrayLike,
    exposure: npt.ArrayLike,
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> Chart:
    """u chart whose limits are stretched by the spread really seen between points.

    Formula: z_i = (u_i - centre) / sqrt(centre / n_i); sigma_z = mean |z_i - z_(i-1)| / d2(2) over
    the baseline; limits centre +/- sigmas sigma_z sqrt(centre / n_i). With sigma_z = 1 it is the
    u chart. Use where counts vary more than Poisson (see `overdispersion`).

    Args and Raises: as `u_chart`; the baseline needs two points with exposure.
    Source: Laney (2002), Quality Engineering 14(4) 531-537.
    Example: laney_u_chart([4, 6, 4, 6], [1, 1, 1, 1]).sigma_z is 0.793.
    """
    return _u(counts, exposure, baseline, sigmas, centre, laney=True)


def c_chart(
    counts: npt.ArrayLike,
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> Chart:
    """Chart of counts when every point has the same exposure.

    Formula: centre = mean count over the baseline; limits centre +/- sigmas sqrt(centre), the
    lower one not below 0. Assumes Poisson counts with one mean. Unit: events per point.

    Args and Raises: as `u_chart`, without exposure.
    Source: NIST/SEMATECH e-Handbook 6.3.3.1.
    Example: 400 defects on 25 wafers: centre 16, limits 4 and 28.
    """
    events = as_series("counts", as_counts("counts", counts))
    width = one_number("sigmas", sigmas, above=0)
    mask = as_mask("baseline", baseline, events.size)
    middle = _centre(events, np.ones_like(events), mask, centre)
    require(middle >= 0, "centre must be 0 or more")
    error = np.full(events.shape, math.sqrt(middle))
    return build_chart("c", events, middle, error, mask, width, bounds=(0.0, np.inf))


def p_chart(
    defective: npt.ArrayLike,
    inspected: npt.ArrayLike,
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> Chart:
    """Chart of the fraction defective in samples, which may differ in size.

    Formula: p_i = x_i / n_i; centre = sum x / sum n over the baseline; limits
    centre +/- sigmas sqrt(centre (1 - centre) / n_i), kept within 0 and 1. Assumes independent
    items with one chance of being bad. A point with nothing inspected is nan, never outside.

    Args:
        defective: bad items per sample.
        inspected: items per sample; one number if all are the same.
        baseline: true for the points that set the centre; None: all of them.
        sigmas: half-width of the limits in standard errors.
        centre: a known fraction to use instead of the baseline's.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 7.2.1;
        ISO 7870-2 (p chart).
    Example: 347 bad in 30 samples of 50: centre 0.2313, limits 0.0524 and 0.4102.
    """
    return _p(defective, inspected, baseline, sigmas, centre, laney=False)


def laney_p_chart(
    defective: npt.ArrayLike,
    inspected: npt.ArrayLike,
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> Chart:
    """p chart whose limits are stretched by the spread really seen between samples.

    Formula: z_i = (p_i - centre) / sqrt(centre (1 - centre) / n_i); sigma_z =
    mean |z_i - z_(i-1)| / d2(2) over the baseline; limits
    centre +/- sigmas sigma_z sqrt(centre (1 - centre) / n_i). Use for large samples that vary more
    than binomial.

    Args and Raises: as `p_chart`; the baseline needs two samples.
    Source: Laney (2002), Quality Engineering 14(4) 531-537.
    Example: 20 weeks of emergency attendances have sigma_z 10.64; 16 weeks lie outside the p
        limits and none outside these.
    """
    return _p(defective, inspected, baseline, sigmas, centre, laney=True)


def np_chart(
    defective: npt.ArrayLike,
    inspected: float,
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> Chart:
    """Chart of the number defective in samples that all have one size n.

    Formula: centre = n p; limits n p +/- sigmas sqrt(n p (1 - p)), kept within 0 and n. Assumes
    as `p_chart`. Unit: items per sample. `centre`, where given, is n p.

    Args and Raises: as `p_chart`, but inspected must be the same for every sample.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 7.2.1.
    Example: 347 bad in 30 samples of 50: centre 11.57, limits 2.62 and 20.51.
    """
    bad, seen = _defective_and_inspected(defective, inspected)
    size = float(seen[0])
    require((seen == size).all(), "inspected must be the same for every sample; use a p chart")
    require(size > 0, "inspected must be above 0")
    width = one_number("sigmas", sigmas, above=0)
    mask = as_mask("baseline", baseline, bad.size)
    middle = _centre(bad, np.ones_like(bad), mask, centre)
    require(0 <= middle <= size, "centre must lie between 0 and inspected")
    error = np.full(bad.shape, math.sqrt(middle * (1 - middle / size)))
    return build_chart("np", bad, middle, error, mask, width, bounds=(0.0, size))
