"""Tabular CUSUM of measurements, and how long it runs until it signals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, IntArray, as_numbers, as_series, one_number, require

# Nodes of the integral equation: the run lengths are then right to 8 digits.
_NODES = 100
# Siegmund's correction for the overshoot of a discrete sum over a continuous limit.
_OVERSHOOT = 1.166


@dataclass(frozen=True)
class Cusum:
    """Sums for a rise (`high`) and a fall (`low`), and the points where either exceeds h.

    `since_high` and `since_low` give, for each point, the index of the first point that the sum
    still counts: the estimate of when a shift began, once the sum has signalled.
    """

    high: FloatArray
    low: FloatArray
    outside_high: IntArray
    outside_low: IntArray
    since_high: IntArray
    since_low: IntArray


def tabular_cusum(
    values: npt.ArrayLike, target: float, k: float, h: float, head_start: float = 0.0
) -> Cusum:
    """Two one-sided cumulative sums of deviations from a target, beyond an allowance.

    Formula: high_t = max(0, high_(t-1) + x_t - target - k), low_t = max(0, low_(t-1) + target - k -
    x_t); a sum signals where it is above h. It is not reset. Assumes independent values; k is
    usually half the shift to be found, h four or five standard deviations.

    Args:
        values: in time order. target, k, h, head_start: in the unit of the values; k 0 or more, h
        above 0, head_start (the sums' first value, for a fast first response) from 0 to h.
    Raises: ValueError naming the argument.
    Source: Page (1954), Biometrika 41:100-115; NIST/SEMATECH e-Handbook 6.3.2.3.
    Example: target 325, k 0.3175, h 4.1959 on the 20 published means: the rise is seen at the 14th.
    """
    x = as_series("values", as_numbers("values", values))
    middle = one_number("target", target)
    slack, limit = one_number("k", k), one_number("h", h, above=0)
    require(slack >= 0, "k must be 0 or more")
    start = one_number("head_start", head_start)
    require(0 <= start <= limit, "head_start must lie between 0 and h")
    high, since_high = _sums(x - middle - slack, start)
    low, since_low = _sums(middle - slack - x, start)
    return Cusum(
        high, low, np.flatnonzero(high > limit), np.flatnonzero(low > limit), since_high, since_low
    )


def _sums(steps: FloatArray, start: float) -> tuple[FloatArray, IntArray]:
    """Sum kept at 0 or more, and where its present climb began."""
    sums, since = np.empty(steps.shape), np.empty(steps.shape, dtype=np.intp)
    value, began = start, 0
    for place, step in enumerate(steps):
        if value <= 0:
            began = place
        value = max(0.0, value + step)
        sums[place], since[place] = value, began
    return sums, since


def cusum_arl(k: float, h: float, shift: float = 0.0, head_start: float = 0.0) -> float:
    """Average number of points until a one-sided tabular CUSUM signals.

    Formula: L(u) = 1 + L(0) F(k - u) + integral from 0 to h of L(y) f(y + k - u) dy with F, f of a
    normal distribution with mean `shift`, solved by Gauss-Legendre quadrature. Assumes independent
    normal values.

    Args: k, h, shift, head_start: in standard deviations of one value; h above 0.
    Raises: ValueError naming the argument.
    Source: Page (1954), Biometrika 41:100-115; Vance (1986), J. Quality Technology 18:189-193.
    Example: cusum_arl(0.5, 5) is 930.9.
    """
    from scipy.special import ndtr

    slack, limit = one_number("k", k), one_number("h", h, above=0)
    mean, start = one_number("shift", shift), one_number("head_start", head_start)
    require(0 <= start <= limit, "head_start must lie between 0 and h")
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    y, weights = (nodes + 1) * limit / 2, weights * limit / 2
    # The first unknown is L(0), the others L at the nodes.
    points = np.concatenate([[0.0], y])

    def row(u: FloatArray) -> FloatArray:
        density = np.exp(-((y + slack - u[:, None] - mean) ** 2) / 2) / math.sqrt(2 * math.pi)
        return np.column_stack([ndtr(slack - u - mean), density * weights])

    lengths = np.linalg.solve(np.eye(points.size) - row(points), np.ones(points.size))
    return float(1 + (row(np.array([start])) @ lengths)[0])


def cusum_arl_two_sided(k: float, h: float, shift: float = 0.0) -> float:
    """Average number of points until either sum of a tabular CUSUM signals, from zero.

    Formula: 1 / L = 1 / L_high + 1 / L_low, exact for sums that start at zero with k above 0.

    Args, Raises: as `cusum_arl`.
    Source: Kemp (1961), J. Royal Statistical Society B 23:149-153; values in Lucas and Crosier
        (1982), Technometrics 24:199-205.
    Example: cusum_arl_two_sided(0.5, 5) is 465 and with shift 1 it is 10.4.
    """
    rise, fall = cusum_arl(k, h, shift), cusum_arl(k, h, -shift)
    return 1 / (1 / rise + 1 / fall)


def siegmund_arl(k: float, h: float, shift: float = 0.0) -> float:
    """Siegmund's approximation of `cusum_arl` from zero.

    Formula: (exp(-2 d b) + 2 d b - 1) / (2 d^2) with d = shift - k and b = h + 1.166; b^2 if d = 0.

    Args, Raises: as `cusum_arl`.
    Source: Siegmund (1985), Sequential Analysis; Montgomery, 6th ed., sec. 9.1.3.
    Example: siegmund_arl(0.5, 5) is 938.2.
    """
    drift = one_number("shift", shift) - one_number("k", k)
    reach = one_number("h", h, above=0) + _OVERSHOOT
    if abs(drift) < 1e-9:
        return reach**2
    return (math.expm1(-2 * drift * reach) + 2 * drift * reach) / (2 * drift**2)
