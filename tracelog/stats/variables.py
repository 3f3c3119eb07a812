"""Control charts for measurements: individuals with moving ranges, X-bar with R or with S."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.chart import Chart, build_chart
from tracelog.stats.constants import mean_deviation, range_moments
from tracelog.stats.inputs import (
    BoolArray,
    FloatArray,
    as_mask,
    as_numbers,
    as_series,
    one_number,
    require,
)


@dataclass(frozen=True)
class ChartPair:
    """A chart of the level and one of the spread; `sigma` is the estimated standard deviation."""

    level: Chart
    spread: Chart
    sigma: float


def individuals_chart(
    values: npt.ArrayLike,
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> ChartPair:
    """Chart of single values, and of the moving range of each two that follow each other.

    Formula: sigma = mean moving range / d2(2); limits centre +/- sigmas sigma; moving-range limits
    mean range (1 +/- sigmas d3 / d2), the lower one not below 0. Only ranges between two
    neighbouring baseline values count. Assumes independent, roughly normal values. The moving
    range of the first value is nan.

    Args:
        values: in time order, any unit.
        baseline: true for the values that set centre and sigma; None: all of them.
        sigmas: half-width of the limits.
        centre: a known level to use instead of the baseline's mean.
    Raises: ValueError naming the argument.
    Source: NIST/SEMATECH e-Handbook 6.3.2.2.
    Example: ten flow rates with mean 50.81 and mean moving range 1.8778 have limits 45.8159 and
        55.8041 (there with d2 rounded to 1.128).
    """
    x = as_series("values", as_numbers("values", values), least=2)
    width = one_number("sigmas", sigmas, above=0)
    mask = as_mask("baseline", baseline, x.size)
    ranges = np.concatenate([[np.nan], np.abs(np.diff(x))])
    used = np.concatenate([[False], mask[1:] & mask[:-1]])
    require(used.any(), "baseline must hold two values that follow each other")
    d2, d3 = range_moments(2)
    mean_range = float(ranges[used].mean())
    sigma = mean_range / d2
    middle = float(x[mask].mean()) if centre is None else one_number("centre", centre)
    level = build_chart("individuals", x, middle, np.full(x.shape, sigma), mask, width)
    error = np.full(x.shape, sigma * d3)
    spread = build_chart("moving range", ranges, mean_range, error, used, width, (0.0, np.inf))
    return ChartPair(level, spread, sigma)


def _subgroups(
    subgroups: Sequence[npt.ArrayLike] | npt.NDArray[np.float64],
) -> list[FloatArray]:
    groups = [as_series("subgroups", as_numbers("subgroups", g), least=2) for g in subgroups]
    require(groups, "subgroups must hold at least one subgroup")
    return groups


def _pair(
    method: str,
    groups: list[FloatArray],
    spreads: FloatArray,
    moments: list[tuple[float, float]],
    mask: BoolArray,
    sigmas: float,
    centre: float | None,
) -> ChartPair:
    """Charts of means and spreads, given mean and deviation of the spread in sigmas."""
    width = one_number("sigmas", sigmas, above=0)
    require(mask.any(), "baseline must hold at least one subgroup")
    sizes = np.array([g.size for g in groups], dtype=np.float64)
    means = np.array([g.mean() for g in groups])
    in_sigmas, deviation = (np.array(column) for column in zip(*moments, strict=True))
    sigma = float((spreads[mask] / in_sigmas[mask]).mean())
    middle = float(np.average(means[mask], weights=sizes[mask]))
    if centre is not None:
        middle = one_number("centre", centre)
    level = build_chart("X-bar", means, middle, sigma / np.sqrt(sizes), mask, width)
    spread = build_chart(
        method, spreads, sigma * in_sigmas, sigma * deviation, mask, width, (0.0, np.inf)
    )
    return ChartPair(level, spread, sigma)


def xbar_r_chart(
    subgroups: Sequence[npt.ArrayLike] | npt.NDArray[np.float64],
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> ChartPair:
    """Charts of subgroup means and ranges.

    Formula: sigma = mean of R_i / d2(n_i), with equal sizes mean R / d2; limits of means
    centre +/- sigmas sigma / sqrt(n_i), of ranges sigma (d2 +/- sigmas d3), the lower one not below
    0. Assumes roughly normal values, subgroups of 2 or more; ranges lose to standard deviations
    above about 10 values.

    Args:
        subgroups: one list of values per subgroup, or an array with one row each.
        baseline: true for the subgroups that set centre and sigma; None: all of them.
        sigmas: half-width of the limits in standard errors.
        centre: a known level to use instead of the baseline's mean.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 6.2; ISO 7870-2.
    Example: 25 samples of 5 piston rings: grand mean 74.001, limits 73.988 and 74.014.
    """
    groups = _subgroups(subgroups)
    mask = as_mask("baseline", baseline, len(groups))
    ranges = np.array([np.ptp(g) for g in groups])
    return _pair("R", groups, ranges, [range_moments(g.size) for g in groups], mask, sigmas, centre)


def xbar_s_chart(
    subgroups: Sequence[npt.ArrayLike] | npt.NDArray[np.float64],
    baseline: npt.ArrayLike | None = None,
    sigmas: float = 3.0,
    centre: float | None = None,
) -> ChartPair:
    """Charts of subgroup means and standard deviations.

    Formula: sigma = mean of s_i / c4(n_i), with equal sizes mean s / c4; limits of means
    centre +/- sigmas sigma / sqrt(n_i), of deviations sigma (c4 +/- sigmas sqrt(1 - c4^2)), the
    lower one not below 0. Assumes roughly normal values; sizes may differ.

    Args and Raises: as `xbar_r_chart`.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 6.3.
    Example: the piston rings have sigma 0.0098 and an upper limit of s of 0.0193.
    """
    groups = _subgroups(subgroups)
    mask = as_mask("baseline", baseline, len(groups))
    deviations = np.array([g.std(ddof=1) for g in groups])
    c4 = [mean_deviation(g.size) for g in groups]
    moments = [(value, math.sqrt(1 - value**2)) for value in c4]
    return _pair("S", groups, deviations, moments, mask, sigmas, centre)
