"""Whether values look normal: a normal probability plot, a test, and a histogram to look at."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, IntArray, as_numbers, as_series, one_number, require

# The test's own approximation is given for samples up to this size.
MOST_TESTED = 5_000
_MOST_BINS = 40


@dataclass(frozen=True)
class NormalPlot:
    """Values in order, the normal scores at which they are plotted, and the line of a normal.

    On the line lies a normal distribution with the `mean` and standard deviation `sigma` of the
    values: value = mean + sigma x score.
    """

    values: FloatArray
    scores: FloatArray
    mean: float
    sigma: float


def normal_plot(values: npt.ArrayLike) -> NormalPlot:
    """Normal probability plot.

    Formula: the i-th of n values in order is plotted at the normal quantile of (i - 3/8) /
    (n + 1/4).

    Args: values: at least 2, any unit and order.
    Raises: ValueError naming the argument.
    Source: Blom (1958), Statistical Estimates and Transformed Beta-Variables.
    Example: of three values the scores are -0.8694, 0 and 0.8694.
    """
    from scipy.special import ndtri

    x = np.sort(as_series("values", as_numbers("values", values), least=2))
    scores = ndtri((np.arange(1, x.size + 1) - 0.375) / (x.size + 0.25))
    return NormalPlot(
        x, np.asarray(scores, dtype=np.float64), float(x.mean()), float(x.std(ddof=1))
    )


def shapiro_wilk(values: npt.ArrayLike) -> float:
    """p-value of the Shapiro-Wilk test that values come from one normal distribution.

    Formula: W compares the square of the best linear estimate of sigma with the sum of squares; a
    small W, and so a small p, speaks against a normal distribution. Many values make any small
    difference show; few hide a large one.

    Args: values: 3 to `MOST_TESTED`, not all the same.
    Raises: ValueError naming the argument.
    Source: Shapiro and Wilk (1965), Biometrika 52:591-611; p-value by Royston (1995), Applied
        Statistics 44:547-551.
    Example: the eleven weights 148, 154, 158, 160, 161, 162, 166, 170, 182, 195 and 236 of the
        paper have W 0.79 and p 0.007.
    """
    from scipy.stats import shapiro

    x = as_series("values", as_numbers("values", values), least=3)
    require(x.size <= MOST_TESTED, f"values must be at most {MOST_TESTED}")
    require(np.ptp(x) > 0, "values must not all be the same")
    return float(shapiro(x).pvalue)


@dataclass(frozen=True)
class NormalTails:
    """Shares of a normal distribution below a lower and above an upper limit; 0 without one."""

    below: float
    above: float


def normal_tails(
    mean: float, sigma: float, lower: float | None = None, upper: float | None = None
) -> NormalTails:
    """What a normal distribution has outside limits.

    Formula: below = F((lower - mean) / sigma), above = F((mean - upper) / sigma) with the standard
    normal F. Far out it holds only as far as the values are normal there, which few data can show.

    Args: mean, sigma, lower, upper: in one unit.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 8.3.1.
    Example: limits at 3 sigma on both sides have 1,350 in a million on each.
    """
    from scipy.special import ndtr

    middle, spread = one_number("mean", mean), one_number("sigma", sigma, above=0)
    below = 0.0 if lower is None else float(ndtr((lower - middle) / spread))
    above = 0.0 if upper is None else float(ndtr((middle - upper) / spread))
    return NormalTails(below, above)


@dataclass(frozen=True)
class Histogram:
    """`counts` of the values between each two neighbours of `edges`, which are equally far."""

    edges: FloatArray
    counts: IntArray


def histogram(values: npt.ArrayLike) -> Histogram:
    """Counts in bars of one width.

    Formula: as many bars as widths of 2 x interquartile range / n^(1/3) are needed to span the
    values, at most 40; one bar where all values are the same.

    Args: values: at least 1, any unit.
    Raises: ValueError naming the argument.
    Source: Freedman and Diaconis (1981), Zeitschrift fuer Wahrscheinlichkeitstheorie 57:453-476.
    Example: of 0, 1, 2 ... 99 the width is 21.33, so there are 5 bars.
    """
    x = as_series("values", as_numbers("values", values))
    low, high = float(x.min()), float(x.max())
    quarter, three_quarters = np.quantile(x, [0.25, 0.75])
    width = 2 * float(three_quarters - quarter) / x.size ** (1 / 3)
    if high <= low:
        half = abs(low) * 0.005 or 0.5
        return Histogram(np.array([low - half, low + half]), np.array([x.size], dtype=np.intp))
    bars = min(math.ceil((high - low) / width), _MOST_BINS) if width > 0 else 10
    counts, edges = np.histogram(x, bins=max(bars, 1), range=(low, high))
    return Histogram(np.asarray(edges, dtype=np.float64), np.asarray(counts, dtype=np.intp))
