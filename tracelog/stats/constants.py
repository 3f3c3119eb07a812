"""Factors for charts of measurements, computed for any subgroup size instead of typed in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tracelog.stats.inputs import one_count

# Nodes of the integrals; with them d2 and d3 are right to 10 digits up to subgroups of 100.
_INNER_STEP = 0.05
_INNER_END = 9.0
_OUTER_NODES = 160
_WIDEST_RANGE = 16.0


@dataclass(frozen=True)
class Factors:
    """Control-chart factors for subgroups of one size, normal data, limits at 3 standard errors.

    d2 and d3 are mean and standard deviation of the range in sigmas, c4 the mean of the sample
    standard deviation in sigmas; A2, A3 give limits of means, D3, D4 of ranges, B3, B4 of
    standard deviations.
    """

    size: int
    d2: float
    d3: float
    c4: float
    a2: float
    a3: float
    b3: float
    b4: float
    d3_lower: float
    d4_upper: float


@lru_cache(maxsize=256)
def range_moments(size: int) -> tuple[float, float]:
    """Mean d2 and standard deviation d3 of the range of `size` standard normal values.

    Formula: P(range <= w) = n integral f(x) (F(x + w) - F(x))^(n-1) dx; d2 = integral (1 - P) dw;
    d2^2 + d3^2 = 2 integral w (1 - P) dw.

    Args: size: values per subgroup, 2 or more. Returns: (d2, d3).
    Raises: ValueError naming the argument.
    Source: Tippett (1925), Biometrika 17:364-387; tables in ASTM Manual 7 (MNL7).
    Example: range_moments(5) is (2.3259, 0.8641).
    """
    from scipy.special import ndtr

    n = one_count("size", size, least=2)
    x = np.arange(-_INNER_END, _INNER_END, _INNER_STEP)
    density = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
    nodes, weights = np.polynomial.legendre.leggauss(_OUTER_NODES)
    w, weights = (nodes + 1) * _WIDEST_RANGE / 2, weights * _WIDEST_RANGE / 2
    # The upper tail of -x is exact where 1 - F(x) would lose digits.
    within = ndtr(-x) - ndtr(-x - w[:, None])
    above = 1 - n * (density * within ** (n - 1)).sum(axis=1) * _INNER_STEP
    mean = float(weights @ above)
    return mean, math.sqrt(2 * float(weights @ (w * above)) - mean**2)


def mean_deviation(size: int) -> float:
    """c4: mean of the sample standard deviation of `size` standard normal values.

    Formula: c4 = sqrt(2 / (n - 1)) G(n / 2) / G((n - 1) / 2).

    Args: size: values per subgroup, 2 or more. Raises: ValueError naming the argument.
    Source: ASTM Manual 7 (MNL7), factors for control charts.
    Example: mean_deviation(5) is 0.9400.
    """
    n = one_count("size", size, least=2)
    return math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))


def factors(size: int) -> Factors:
    """All factors for subgroups of one size.

    Formula: A2 = 3 / (d2 sqrt n), A3 = 3 / (c4 sqrt n), D3 and D4 = 1 -/+ 3 d3 / d2, B3 and B4 =
    1 -/+ 3 sqrt(1 - c4^2) / c4, lower ones not below 0.

    Args: size: values per subgroup, 2 or more. Raises: ValueError naming the argument.
    Source: ASTM Manual 7 (MNL7); Montgomery, Introduction to Statistical Quality Control, 6th ed.,
        Appendix VI.
    Example: factors(5).a2 is 0.577 and factors(5).d4_upper is 2.114.
    """
    d2, d3 = range_moments(size)
    c4 = mean_deviation(size)
    root = math.sqrt(size)
    of_deviation = 3 * math.sqrt(1 - c4**2) / c4
    of_range = 3 * d3 / d2
    return Factors(
        size=size,
        d2=d2,
        d3=d3,
        c4=c4,
        a2=3 / (d2 * root),
        a3=3 / (c4 * root),
        b3=max(0.0, 1 - of_deviation),
        b4=1 + of_deviation,
        d3_lower=max(0.0, 1 - of_range),
        d4_upper=1 + of_range,
    )
