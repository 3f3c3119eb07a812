"""How far each cell of a table of counts lies from what its exposure leads to expect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_amounts, as_counts, broadcast, require


@dataclass(frozen=True)
class CellSurprise:
    """Expected count of each cell, and the chance of a count as high, or as low, as that seen."""

    expected: FloatArray
    as_high: FloatArray
    as_low: FloatArray


def cell_surprise(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    total_counts: npt.ArrayLike,
    total_exposures: npt.ArrayLike,
) -> CellSurprise:
    """Exact one-sided tests of each cell's rate against that of the rest of its total.

    Formula: given X events in the exposure N of the whole, a cell with the share n / N of it holds
    a binomial number of them if its rate is that of the rest; `as_high` is P(B(X, n/N) >= x),
    `as_low` is P(B(X, n/N) <= x), and X n / N is expected. Assumes Poisson counts at one rate each.
    A cell without exposure tells nothing: both chances are 1 and 0 is expected.

    Args:
        counts, exposures: of each cell, any shape.
        total_counts, total_exposures: of the whole that each cell belongs to and is a part of;
            same shape or one number.
    Returns: CellSurprise, arrays of the shape of the counts.
    Raises: ValueError naming the argument.
    Source: conditional test of Przyborowski and Wilenski (1940), Biometrika 31:313-323.
    Example: 3 of 3 events in half of the exposure: 0.125 as high, 1 as low, 1.5 expected.
    """
    from scipy.special import betainc

    x, n, whole, seen_in = broadcast(
        counts=as_counts("counts", counts),
        exposures=as_amounts("exposures", exposures),
        total_counts=as_counts("total_counts", total_counts),
        total_exposures=as_amounts("total_exposures", total_exposures),
    )
    used = n > 0
    require((x <= whole)[used].all(), "counts must not be more than total_counts")
    require((n <= seen_in)[used].all(), "exposures must not be more than total_exposures")
    share = np.divide(n, seen_in, out=np.zeros(n.shape), where=used)
    # By the incomplete beta function, so that small chances keep their digits.
    some, most = used & (x > 0), used & (x < whole)
    as_high = np.where(some, betainc(np.maximum(x, 1), np.maximum(whole - x, 0) + 1, share), 1.0)
    left = np.where(most, whole - x, 1.0)
    as_low = np.where(most, betainc(left, x + 1, 1 - share), 1.0)
    return CellSurprise(np.where(used, whole * share, 0.0), as_high, as_low)
