"""Which of several uncertain rates is the highest?"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_amounts, as_series, broadcast


def probability_highest(shapes: npt.ArrayLike, rates: npt.ArrayLike) -> FloatArray:
    """Chance that each of several independent gamma variables is the largest of them.

    Formula: P_i = integral of f_i(r) prod_(j != i) F_j(r) dr, by the trapezoidal rule in F_i over
    the joint set of quantiles of all variables; no simulation. Error below about 1e-4.

    Args: shapes, rates: of the gammas, same length, above 0.
    Returns: probabilities that add up to 1.
    Raises: ValueError naming the argument.
    Source: the definition; for two variables a beta integral, Johnson, Kotz and Balakrishnan
        (1994), Continuous Univariate Distributions 1, ch. 17 (from memory).
    Example: shapes [5, 2] with rates [1, 1] give 0.891 and 0.109.
    """
    from scipy.special import gammainc, gammaincinv

    a, b = broadcast(
        shapes=as_amounts("shapes", shapes, positive=True),
        rates=as_amounts("rates", rates, positive=True),
    )
    size = as_series("shapes", a).size
    if size == 1:
        return np.ones(1)
    inner = np.linspace(0, 1, max(41, 6000 // size))[1:-1]
    tails = np.array([1e-12, 1e-9, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3])
    chances = np.sort(np.concatenate([tails, inner, 1 - tails]))
    points = np.unique(gammaincinv(a[:, None], chances) / b[:, None])
    # No variable can be the largest below the highest of the lower ends.
    points = points[points >= (gammaincinv(a, 1e-12) / b).max()]
    below = gammainc(a[:, None], points * b[:, None])
    first, last = np.ones_like(below), np.ones_like(below)
    first[1:] = np.cumprod(below[:-1], axis=0)
    last[:-1] = np.cumprod(below[:0:-1], axis=0)[::-1]
    others = first * last
    chance = (np.diff(below, axis=1) * (others[:, 1:] + others[:, :-1]) / 2).sum(axis=1)
    return np.asarray(chance / chance.sum(), dtype=np.float64)
