"""What every control chart returns, and the strict comparison with its limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracelog.stats.inputs import BoolArray, FloatArray, IntArray

# A statistic that equals its limit but for rounding in the last places lies on it, not beyond.
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Chart:
    """Points, centre line and limits of one control chart.

    `statistic`, `upper`, `lower` and `z` have one value per point; nan where a point has no
    exposure. `outside` holds the indices of points strictly beyond a limit. `z` is the distance
    from the centre in units of the point's own standard error (already divided by `sigma_z` on a
    Laney chart), which is what run rules take. `baseline` tells which points set the centre.
    `centre_line` is the centre at each point: it varies only where subgroups differ in size, and
    `centre` then is that of the first point.
    """

    method: str
    statistic: FloatArray
    centre: float
    upper: FloatArray
    lower: FloatArray
    outside: IntArray
    z: FloatArray
    baseline: BoolArray
    sigmas: float
    centre_line: FloatArray
    sigma_z: float | None = None


def beyond(statistic: FloatArray, lower: FloatArray, upper: FloatArray) -> IntArray:
    """Indices of the points strictly above the upper or below the lower limit; nan is neither."""
    slack = _ROUNDING * np.maximum(np.abs(lower), np.abs(upper))
    outside = (statistic > upper + slack) | (statistic < lower - slack)
    return np.flatnonzero(outside)


def build_chart(
    method: str,
    statistic: FloatArray,
    centre: float | FloatArray,
    error: FloatArray,
    baseline: BoolArray,
    sigmas: float,
    bounds: tuple[float, float] = (-np.inf, np.inf),
    sigma_z: float | None = None,
) -> Chart:
    """Put limits at centre +/- sigmas x error, clipped to what the statistic can reach."""
    missing = np.isnan(statistic)
    line = np.full(statistic.shape, centre, dtype=np.float64)
    upper = np.where(missing, np.nan, np.minimum(line + sigmas * error, bounds[1]))
    lower = np.where(missing, np.nan, np.maximum(line - sigmas * error, bounds[0]))
    difference = statistic - line
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(difference == 0, 0.0, difference / error)
    return Chart(
        method=method,
        statistic=statistic,
        centre=float(line[0]),
        upper=upper,
        lower=lower,
        outside=beyond(statistic, lower, upper),
        z=np.where(missing, np.nan, z),
        baseline=baseline,
        sigmas=sigmas,
        centre_line=line,
        sigma_z=sigma_z,
    )
