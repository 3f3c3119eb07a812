"""From the chances of every day to a due date: its median and the whole days that hold it.

Pure. Dates are whole days, so that an interval of dates cannot hold exactly 80 %. Its last day
ends at that midnight within a span of 24 hours over which, on average, one in ten lies beyond;
its first day begins likewise. So one in ten lies outside on either side on average over where in
the day the ends of the exact interval fall, and intervals are not wider than they say.
"""

import numpy as np
from scipy.special import ndtr, ndtri

from tracelog.service.rules import Expected
from tracelog.stats.inputs import FloatArray

OUTSIDE = 0.1  # on either side of a central 80 % interval
_STEPS = 8  # of a day
_LEAST = 1e-12


def passing(chances: FloatArray) -> Expected | None:
    """The whole days that hold an instant with a chance of 80 %.

    Args:
        chances: that it has come by the end of each day, never falling.

    Returns:
        None if the chances come to less than 95 in 100: the days are too few to tell.
    """
    if chances[-1] < 1 - OUTSIDE / 2:
        return None
    first = max(int(np.searchsorted(chances, 0.001)) - 2, 0)
    last = min(int(np.searchsorted(chances, 0.999)) + 3, len(chances))
    ends = np.concatenate([[0.0 if first == 0 else chances[first - 1]], chances[first:last]])
    fine = _within_days(ends)
    exact = tuple(first + float(np.interp(one, fine, _days(fine))) for one in _QUANTILES)
    middle = min(int(exact[1]), len(chances) - 1)
    early = first + _whole(fine)
    late = first + len(ends) - 2 - _whole(1 - fine[::-1])
    return Expected(min(early, middle), middle, max(late, middle), (exact[0], exact[1], exact[2]))


_QUANTILES = (OUTSIDE, 0.5, 1 - OUTSIDE)


def _days(fine: FloatArray) -> FloatArray:
    return np.arange(len(fine)) / _STEPS


def _within_days(ends: FloatArray) -> FloatArray:
    """Chances every few hours, from those at the ends of days: within a day as a normal one."""
    scores = ndtri(np.clip(ends, _LEAST, 1 - _LEAST))
    at = np.arange((len(ends) - 1) * _STEPS + 1) / _STEPS
    fine = ndtr(np.interp(at, np.arange(len(ends)), scores))
    return np.maximum.accumulate(fine)


def _whole(tail: FloatArray) -> int:
    """First whole day of the interval: how many days lie before it.

    The mean of the tail over the 24 hours up to an instant rises with it; the first day begins
    at the last midnight within the 24 hours over which that mean is one in ten.
    """
    sums = np.concatenate([[0.0], np.cumsum((tail[1:] + tail[:-1]) / 2)]) / _STEPS
    until = np.arange(len(tail))
    mean = sums - sums[np.maximum(until - _STEPS, 0)]
    within = int(np.searchsorted(np.maximum.accumulate(mean), OUTSIDE, side="right")) - 1
    return max(within, 0) // _STEPS
