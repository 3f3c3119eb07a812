"""Limits for many machines with different exposure, drawn against exposure as a funnel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_amounts, as_probability, one_number, require

_HALVINGS = 80


@dataclass(frozen=True)
class Funnel:
    """Lower and upper limit of a machine's rate, one each per exposure."""

    exposures: FloatArray
    low: FloatArray
    high: FloatArray
    tail: float


def funnel_limits(
    exposures: npt.ArrayLike, mean: float, shape: float = math.inf, tail: float = 0.001
) -> Funnel:
    """Limits that a machine like the others exceeds with a given chance on each side.

    Formula: counts are negative binomial with mean e = mean x exposure and variance e + e^2 / shape
    (Poisson if the shape is infinite). Their distribution F(x) = I(shape, x + 1; shape / (shape +
    e)), I the regularised incomplete beta function, is continued between whole numbers. The limits
    are x with F(x) = tail and x + 1 with F(x) = 1 - tail, over exposure, so that a count is beyond
    one exactly when its tail probability is below `tail`. The lower limit is 0 where even a count
    of 0 is not that unlikely. Assumes that machines differ only by a gamma-distributed rate.

    Args:
        exposures: above 0, any shape.
        mean: the plant's rate per unit of exposure, 0 or more.
        shape: of the rates' gamma distribution (`gamma_poisson`); infinite: no real spread.
        tail: chance beyond each limit, below 0.5.
    Returns: Funnel; rates per unit of exposure.
    Raises: ValueError naming the argument.
    Source: Spiegelhalter (2005), Statistics in Medicine 24:1185-1202, with exact tails.
    Example: mean 3 per million, 4 million strokes, tail 0.025: limits 1.309 and 4.931 per million,
        so 5 and 20 events are beyond them and 6 to 19 are not.
    """
    from scipy.special import betainc, gammaincc

    seen_in = as_amounts("exposures", exposures, positive=True)
    rate = one_number("mean", mean)
    require(rate >= 0, "mean must be 0 or more")
    outside = as_probability("tail", tail)
    require(outside < 0.5, "tail must be below 0.5")
    endless = shape == math.inf
    a = 1.0 if endless else one_number("shape", shape, above=0)
    expected = rate * seen_in

    def chance(x: FloatArray) -> FloatArray:
        if endless:
            return np.asarray(gammaincc(x + 1, expected), dtype=np.float64)
        return np.asarray(betainc(a, x + 1, a / (a + expected)), dtype=np.float64)

    def quantile(share: float) -> FloatArray:
        spread = np.sqrt(expected + (0.0 if endless else expected**2 / a))
        low, high = np.full(seen_in.shape, -1.0), expected + 10 * spread + 10
        while (chance(high) < share).any():
            high = 2 * high
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            below = chance(middle) < share
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.asarray((low + high) / 2, dtype=np.float64)

    return Funnel(
        exposures=seen_in,
        low=np.maximum(0.0, quantile(outside)) / seen_in,
        high=(quantile(1 - outside) + 1) / seen_in,
        tail=outside,
    )
