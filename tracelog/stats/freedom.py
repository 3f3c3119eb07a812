"""How many degrees of freedom an estimate of sigma from a control chart is worth.

An estimate of sigma is worth f degrees of freedom where its variance is that of the root of a
mean square with f degrees of freedom, about sigma^2 / (2 f).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from tracelog.stats.constants import mean_deviation, range_moments
from tracelog.stats.inputs import as_counts, as_series, one_count, require

# Covariance of two moving ranges that share a value, and variance of one, in sigmas squared: for
# normal values with correlation -1/2 between neighbouring differences, E|D1 D2| = (4 / pi)
# (sqrt(3) / 2 + pi / 12).
_MEAN_PRODUCT = 4 / math.pi * (math.sqrt(3) / 2 + math.pi / 12)
_SQUARED_MEAN = 4 / math.pi


def freedom_of_ranges(sizes: npt.ArrayLike) -> float:
    """Degrees of freedom of the mean of R / d2 over subgroups.

    Formula: f = k^2 / (2 sum (d3 / d2)^2), about 0.9 k (n - 1) for small n.

    Args: sizes: values in each subgroup, 2 or more.
    Raises: ValueError naming the argument.
    Source: Patnaik (1950), Biometrika 37:78-87; Bissell (1990), Applied Statistics 39:331-340.
    Example: 25 subgroups of 5 are worth 90.6 degrees of freedom.
    """
    counted = _sizes(sizes)
    spreads = [(moments[1] / moments[0]) ** 2 for moments in map(range_moments, counted)]
    return len(counted) ** 2 / (2 * sum(spreads))


def freedom_of_deviations(sizes: npt.ArrayLike) -> float:
    """Degrees of freedom of the mean of s / c4 over subgroups.

    Formula: f = k^2 / (2 sum (1 - c4^2) / c4^2).

    Args: sizes: values in each subgroup, 2 or more.
    Raises: ValueError naming the argument.
    Source: Bissell (1990), Applied Statistics 39:331-340.
    Example: 25 subgroups of 5 are worth 94.9 degrees of freedom.
    """
    counted = _sizes(sizes)
    spreads = [(1 - c4**2) / c4**2 for c4 in map(mean_deviation, counted)]
    return len(counted) ** 2 / (2 * sum(spreads))


def freedom_of_moving_ranges(values: int) -> float:
    """Degrees of freedom of the mean moving range of single values.

    Formula: with m = values - 1 ranges the variance of their mean is (v + 2 c (m - 1) / m) / m,
    v = 2 - 4 / pi and c the covariance of ranges that share a value; f = d2^2 / (2 x variance),
    about 0.6 m.

    Args: values: how many, 2 or more.
    Raises: ValueError naming the argument.
    Source: Cryer and Ryan (1990), J. Quality Technology 22:187-192.
    Example: 101 values are worth 60.7 degrees of freedom.
    """
    ranges = one_count("values", values, least=2) - 1
    shared = _MEAN_PRODUCT - _SQUARED_MEAN
    variance = (2 - _SQUARED_MEAN + 2 * shared * (ranges - 1) / ranges) / ranges
    return _SQUARED_MEAN / (2 * variance)


def _sizes(sizes: npt.ArrayLike) -> list[int]:
    counted = as_series("sizes", as_counts("sizes", sizes))
    require(np.all(counted >= 2), "sizes must be 2 or more")
    return [int(size) for size in counted]
