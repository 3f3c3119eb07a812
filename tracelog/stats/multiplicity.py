"""Many tests at once: which p-values still mean something."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_numbers, as_series, require


def _p_values(p_values: npt.ArrayLike) -> FloatArray:
    p = as_series("p_values", as_numbers("p_values", p_values))
    require(((p >= 0) & (p <= 1)).all(), "p_values must lie between 0 and 1")
    return p


def benjamini_hochberg(p_values: npt.ArrayLike) -> FloatArray:
    """Adjusted p-values; rejecting those at or below q keeps the false discovery rate below q.

    Formula: with the p-values in rising order, q_i = min over j >= i of (m p_j / j), at most 1.
    Assumes independent tests, or positively dependent ones.

    Args: p_values: any order. Returns: adjusted values in the same order.
    Raises: ValueError naming the argument.
    Source: Benjamini and Hochberg (1995), J. Royal Statistical Society B 57:289-300.
    Example: of the 15 published p-values 4 stay at or below 0.05.
    """
    p = _p_values(p_values)
    order = np.argsort(p, kind="stable")
    scaled = p[order] * p.size / np.arange(1, p.size + 1)
    adjusted = np.empty(p.shape)
    adjusted[order] = np.minimum(1.0, np.minimum.accumulate(scaled[::-1])[::-1])
    # m p / m may round to just below p.
    return np.maximum(adjusted, p)


def bonferroni(p_values: npt.ArrayLike) -> FloatArray:
    """Adjusted p-values that keep the chance of any false rejection below the level: m p.

    Args, Raises: as `benjamini_hochberg`. Assumes nothing of how the tests depend.
    Source: Bonferroni's inequality; compared in Benjamini and Hochberg (1995), sec. 3.
    Example: of the 15 published p-values 3 stay at or below 0.05.
    """
    p = _p_values(p_values)
    return np.minimum(1.0, p * p.size)
