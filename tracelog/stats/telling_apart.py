"""How much an observation is expected to tell about which of two explanations is right."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_amounts, as_probability, broadcast

_MOST = 400


def expected_information(
    probability: float, first: npt.ArrayLike, second: npt.ArrayLike
) -> FloatArray:
    """Bits that a count is expected to tell about which of two explanations is right.

    Formula: the mutual information of the explanation and a count that is Poisson with mean
    `first` if the first is right and `second` if the other is: the entropy beforehand less the
    expected entropy afterwards.

    Args:
        probability: of the first explanation; the other has the rest.
        first, second: expected counts, shape (n,).
    Returns: (n,) bits, between 0 and 1.
    Raises: ValueError naming the argument.
    Source: Lindley (1956), Annals of Mathematical Statistics 27:986-1005.
    Example: at even chances, 0 against 20 expected tells nearly the whole bit.
    """
    from scipy.special import xlogy

    chance = as_probability("probability", probability)
    one, other = broadcast(first=as_amounts("first", first), second=as_amounts("second", second))
    one, other = np.atleast_1d(one), np.atleast_1d(other)
    largest = max(float(one.max(initial=0)), float(other.max(initial=0)), 1.0)
    # Above this more counts only make certain what is certain already.
    scale = min(1.0, _MOST / 2 / largest)
    one, other = one * scale, other * scale
    counts = np.arange(int(largest * scale + 12 * np.sqrt(largest * scale) + 12))
    of_one, of_other = _poisson(counts, one), _poisson(counts, other)
    mixed = chance * of_one + (1 - chance) * of_other
    entropy_mixed = -xlogy(mixed, np.maximum(mixed, 1e-300)).sum(axis=1)
    entropy_given = -chance * xlogy(of_one, np.maximum(of_one, 1e-300)).sum(axis=1)
    entropy_given -= (1 - chance) * xlogy(of_other, np.maximum(of_other, 1e-300)).sum(axis=1)
    bits: FloatArray = np.clip((entropy_mixed - entropy_given) / np.log(2), 0.0, 1.0)
    return bits


def _poisson(counts: npt.NDArray[np.int64], means: FloatArray) -> FloatArray:
    from scipy.special import gammaln, xlogy

    mean = means[:, None]
    log_chance: FloatArray = xlogy(counts, mean) - mean - gammaln(counts + 1)
    chances: FloatArray = np.exp(log_chance)
    return chances
