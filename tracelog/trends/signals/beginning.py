"""When a rate left its baseline, with an interval. Pure."""

import numpy as np

from tracelog.stats.inputs import FloatArray

# Rate ratios that a change may have had, equally likely beforehand.
_RISES = np.exp(np.linspace(np.log(1.3), np.log(12.0), 18))
_OUTSIDE = 0.05


def beginning(
    counts: FloatArray,
    exposures: FloatArray,
    times: FloatArray,
    start: float,
    baseline: float,
    dispersion: float,
    rises: bool,
) -> tuple[float, float, float]:
    """When one change of a known rate happened: the middle of its distribution, and 90 % of it.

    Formula: for a change before step s to R times the baseline rate l, with x events in the
    exposure E from then on, the log likelihood ratio is x ln R - (R - 1) l E; averaged over R,
    and over s in proportion to exposure (Carlin, Gelfand and Smith 1992, with a known rate
    before).

    Args:
        counts, exposures: of steps in order of time.
        times: when each step ends.
        start: when the first begins; the change came no earlier.
        baseline: events per unit of exposure.
        dispersion: variance over mean of the counts.
        rises: the rate went up, not down.

    Returns:
        Low end, middle and high end, in the unit of `times`.
    """
    ratios = _RISES if rises else 1 / _RISES
    events = np.cumsum(counts[::-1])[::-1] / dispersion
    seen_in = np.cumsum(exposures[::-1])[::-1] / dispersion
    told = events[:, None] * np.log(ratios) - (ratios - 1) * baseline * seen_in[:, None]
    top = float(told.max(initial=0.0))
    weight = np.exp(told - top).sum(axis=1) * np.maximum(exposures, 1e-12)
    share = np.cumsum(weight) / weight.sum()
    begins = np.concatenate(([start], times[:-1]))
    low, middle, high = (
        float(begins[min(int(np.searchsorted(share, chance)), len(begins) - 1)])
        for chance in (_OUTSIDE, 0.5, 1 - _OUTSIDE)
    )
    return low, middle, high
