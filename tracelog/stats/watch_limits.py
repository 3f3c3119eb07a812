"""How much evidence a watch on many rates asks for: by rate ratio, and for a budget of alarms."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_amounts, as_series, one_number, require

# No threshold is below this: evidence of seven to one.
_LEAST = 2.0
# And none is brought below this by favouring its ratio.
_LEAST_FAVOURED = 4.5


def handicaps_of(ratios: npt.ArrayLike, usual: float, power: float) -> FloatArray:
    """What each rate ratio's threshold is above that of a usual one.

    Formula: power times ln(I(R) / I(usual)), I(R) = R - 1 - ln R. That is how fast the evidence
    falls with each expected event, so how often it starts afresh: at one threshold for all, the
    large ratios raise nearly all false alarms, and the small ones, which are told late, hardly any.
    At a power of 1 they raise about as many each; above it the small ones are favoured.

    Args:
        ratios, usual: above 0 and not 1.
        power: 0 for one threshold for all.
    Returns: one for each ratio.
    Raises: ValueError naming the argument.
    Source: I is the Kullback-Leibler number of two Poisson rates; the rate of false alarms of a
        CUSUM is nearly in proportion to it, Siegmund (1985), Sequential Analysis, ch. 2 and 10;
        the sharing between ratios is our own.
    Example: ratios 1.4, 2, 3, 5, usual 2, power 1: -1.58, 0, 1.08 and 2.05.
    """
    each = as_series("ratios", as_amounts("ratios", ratios, positive=True))
    one = one_number("usual", usual, above=0)
    require(bool((each != 1).all()) and one != 1, "ratios must not be 1")
    falls = each - 1 - np.log(each)
    return np.asarray(power * np.log(falls / (one - 1 - np.log(one))))


def limits(threshold: float, handicaps: npt.ArrayLike) -> FloatArray:
    """Thresholds of each ratio: with its handicap, but none brought below 4.5 (90 to 1) by it.

    Formula: max(threshold + handicap, min(threshold + the largest handicap, 4.5)).

    Args:
        threshold: natural logarithm, that of the usual ratio.
        handicaps: of each ratio.
    Returns: one for each ratio.
    Source: own choice: a small rise that is called on little evidence stays on for long, and hides
        a larger one.
    Example: threshold 6 with handicaps -1.58 and 2.05: 4.5 and 8.05.
    """
    own = np.asarray(handicaps, dtype=np.float64)
    least = min(threshold + float(own.max()), _LEAST_FAVOURED)
    return np.asarray(np.maximum(threshold + own, least))


def threshold_for(alarms_a_day: npt.ArrayLike, thresholds: npt.ArrayLike, budget: float) -> float:
    """The threshold at which so many false alarms a day are to be expected.

    Formula: the logarithm of their number falls linearly with the threshold, fitted by least
    squares weighted with the numbers; beyond the thresholds tried it is carried on.

    Args:
        alarms_a_day: expected at each of the thresholds.
        thresholds: ascending, two or more.
        budget: alarms a day, above 0.
    Returns: the threshold, never below 2 (evidence of seven to one).
    Raises: ValueError naming the argument.
    Source: the exponential tail of the maximum of a random walk with a negative drift; Siegmund
        (1985), Sequential Analysis, ch. 8.
    Example: 10 a day at 3 and 1.353 a day at 5 fall by a factor of e for each unit: 0.5 at 6.
    """
    numbers = as_series("alarms_a_day", as_amounts("alarms_a_day", alarms_a_day), least=2)
    at = as_series("thresholds", as_amounts("thresholds", thresholds, positive=True), least=2)
    wanted = one_number("budget", budget, above=0)
    used = numbers > 0
    if not used.any():
        return float(at[0])
    if used.sum() == 1:
        # A martingale's maximum falls by about a factor of e for each unit.
        return max(float(at[used][0] + np.log(numbers[used][0] / wanted)), _LEAST)
    x, y, weight = at[used], np.log(numbers[used]), numbers[used]
    centre = np.average(x, weights=weight)
    level = np.average(y, weights=weight)
    slope = np.average((x - centre) * (y - level), weights=weight)
    slope /= np.average((x - centre) ** 2, weights=weight)
    slope = min(float(slope), -0.5)
    return max(float(centre + (np.log(wanted) - level) / slope), _LEAST)
