"""Process capability: how the spread of a measurement compares with its limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tracelog.stats.inputs import as_probability, one_count, one_number, require
from tracelog.stats.intervals import Interval


@dataclass(frozen=True)
class Capability:
    """Capability indices; those that need a limit that was not given are nan."""

    cp: float
    cp_upper: float
    cp_lower: float
    cpk: float


def capability(
    mean: float, sigma: float, lower: float | None = None, upper: float | None = None
) -> Capability:
    """Cp, Cpu, Cpl and Cpk of a stable, roughly normal process.

    Formula: Cp = (upper - lower) / 6 sigma; Cpu = (upper - mean) / 3 sigma;
    Cpl = (mean - lower) / 3 sigma; Cpk the smaller of those known. Means little if the process is
    not in control or not near normal.

    Args: mean, sigma: of the process. lower, upper: specification limits, at least one; all in one
        unit.
    Raises: ValueError naming the argument.
    Source: NIST/SEMATECH e-Handbook 6.1.6.
    Example: mean 16, sigma 2, limits 8 and 20: Cp 1.0, Cpu 0.6667, Cpl 1.3333, Cpk 0.6667.
    """
    middle, spread = one_number("mean", mean), one_number("sigma", sigma, above=0)
    require(lower is not None or upper is not None, "lower or upper must be given")
    top = math.nan if upper is None else one_number("upper", upper)
    bottom = math.nan if lower is None else one_number("lower", lower)
    require(not top <= bottom, "upper must be above lower")
    above, below = (top - middle) / (3 * spread), (middle - bottom) / (3 * spread)
    known = [index for index in (above, below) if not math.isnan(index)]
    return Capability((top - bottom) / (6 * spread), above, below, min(known))


def cp_interval(cp: float, size: int, confidence: float = 0.95) -> Interval[float]:
    """Interval of Cp from the chi-square distribution of the variance.

    Formula: Cp sqrt(chi2(a/2; n - 1) / (n - 1)) to Cp sqrt(chi2(1 - a/2; n - 1) / (n - 1)). Assumes
    sigma estimated as the standard deviation of n independent normal values.

    Args: cp: the estimate, above 0. size: n, 2 or more. confidence: two-sided.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., Example 8.4.
    Example: Cp 2.29 from 20 values: 1.57 to 3.01.
    """
    from scipy.special import gammaincinv

    index, n = one_number("cp", cp, above=0), one_count("size", size, least=2)
    tail = (1 - as_probability("confidence", confidence)) / 2
    half = (n - 1) / 2
    low, high = (index * math.sqrt(float(gammaincinv(half, p)) / half) for p in (tail, 1 - tail))
    return Interval(index, low, high, confidence)


def cpk_interval(cpk: float, size: int, confidence: float = 0.95) -> Interval[float]:
    """Approximate interval of Cpk.

    Formula: Cpk +/- z sqrt(1 / (9 n) + Cpk^2 / (2 (n - 1))). Assumes n independent normal values
    and n not small.

    Args: cpk: the estimate. size: n, 2 or more. confidence: two-sided.
    Raises: ValueError naming the argument.
    Source: Bissell (1990), Applied Statistics 39:331-340; Montgomery, 6th ed., Example 8.5.
    Example: Cpk 1.33 from 20 values: 0.88 to 1.78.
    """
    from scipy.special import ndtri

    index, n = one_number("cpk", cpk), one_count("size", size, least=2)
    z = float(ndtri(1 - (1 - as_probability("confidence", confidence)) / 2))
    reach = z * math.sqrt(1 / (9 * n) + index**2 / (2 * (n - 1)))
    return Interval(index, index - reach, index + reach, confidence)
