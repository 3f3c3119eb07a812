"""Exponentially weighted moving average chart, and how long it runs until it signals."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from tracelog.stats.chart import Chart, build_chart
from tracelog.stats.inputs import as_numbers, as_series, one_number, require

# Nodes of the integral equation: the run lengths are then right to 8 digits.
_NODES = 120


def _weight(weight: float) -> float:
    value = one_number("weight", weight, above=0)
    require(value <= 1, "weight must be above 0 and at most 1")
    return value


def ewma_chart(
    values: npt.ArrayLike,
    centre: float,
    sigma: float,
    weight: float = 0.2,
    sigmas: float = 3.0,
    steady_limits: bool = False,
) -> Chart:
    """Chart of the weighted average of all values so far; finds small lasting shifts.

    Formula: e_t = w x_t + (1 - w) e_(t-1), e_0 = centre; limits centre +/- sigmas sigma
    sqrt(w / (2 - w) (1 - (1 - w)^(2 t))), without the last bracket if steady_limits. Assumes
    independent values with a known centre and sigma.

    Args:
        values: in time order, any unit.
        centre: the level that the process should have.
        sigma: standard deviation of one value.
        weight: of the newest value, above 0 and at most 1 (1: a Shewhart chart).
        sigmas: half-width of the limits in standard errors of e.
        steady_limits: use the limits of a long run from the first point on.
    Raises: ValueError naming the argument.
    Source: Roberts (1959), Technometrics 1(3) 239-250; NIST/SEMATECH e-Handbook 6.3.2.4.
    Example: weight 0.3, centre 50, sigma 2.0539 have steady limits 47.4115 and 52.5884.
    """
    x = as_series("values", as_numbers("values", values))
    middle = one_number("centre", centre)
    spread = one_number("sigma", sigma, above=0)
    w = _weight(weight)
    width = one_number("sigmas", sigmas, above=0)
    averages = np.empty(x.shape)
    average = middle
    for place, value in enumerate(x):
        average = w * value + (1 - w) * average
        averages[place] = average
    steps = np.arange(1, x.size + 1)
    share = np.ones(x.shape) if steady_limits else 1 - (1 - w) ** (2 * steps)
    error = spread * np.sqrt(w / (2 - w) * share)
    return build_chart("EWMA", averages, middle, error, np.ones(x.shape, np.bool_), width)


def ewma_arl(weight: float, sigmas: float, shift: float = 0.0) -> float:
    """Average number of points until an EWMA chart with steady limits signals, from its centre.

    Formula: L(u) = 1 + (1/w) integral over the limits of L(y) f((y - (1 - w) u) / w - shift) dy,
    solved by Gauss-Legendre quadrature. Assumes independent normal values.

    Args: weight, sigmas: of the chart. shift: of the mean, in sigmas of one value.
    Raises: ValueError naming the argument.
    Source: Crowder (1987), Technometrics 29(4) 401-407; values in Lucas and Saccucci (1990),
        Technometrics 32(1) 1-12.
    Example: ewma_arl(0.1, 2.814) is 500 and ewma_arl(0.1, 2.814, 1.0) is 10.3.
    """
    w = _weight(weight)
    limit = one_number("sigmas", sigmas, above=0) * math.sqrt(w / (2 - w))
    moved = one_number("shift", shift)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    y, weights = nodes * limit, weights * limit

    def kernel(u: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        z = (y - (1 - w) * u[:, None]) / w - moved
        density = np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
        return np.asarray(density * weights / w, dtype=np.float64)

    lengths = np.linalg.solve(np.eye(_NODES) - kernel(y), np.ones(_NODES))
    return float(1 + (kernel(np.zeros(1)) @ lengths)[0])
