"""Do counts vary more than chance alone would make them?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    as_amounts,
    as_counts,
    as_series,
    broadcast,
    require,
)


@dataclass(frozen=True)
class Dispersion:
    """Result of a dispersion test; `ratio` is observed over expected variance (1: as chance)."""

    ratio: float
    statistic: float
    degrees_of_freedom: int
    p_value: float


def _dispersion(squared_z: FloatArray) -> Dispersion:
    from scipy.special import gammaincc

    freedom = squared_z.size - 1
    statistic = float(squared_z.sum())
    p_value = float(gammaincc(freedom / 2, statistic / 2))
    return Dispersion(statistic / freedom, statistic, freedom, p_value)


def poisson_overdispersion(counts: npt.ArrayLike, exposure: npt.ArrayLike = 1.0) -> Dispersion:
    """Test whether counts vary more between points than Poisson counts at one rate do.

    Formula: D = sum (c_i - e_i)^2 / e_i with e_i = n_i sum c / sum n, against chi-square with
    m - 1 degrees of freedom, upper tail; with equal exposures D = (m - 1) variance / mean. Assumes
    expected counts that are not tiny (5 or more is common practice, no source). Points without
    exposure are left out. With no event at all D is 0 and the p-value 1.

    Args: counts: events per point. exposure: same length or one number, any unit.
    Raises: ValueError naming the argument; at least two points with exposure are needed.
    Source: Wetherill and Brown (1991), Statistical Process Control, pp. 212-218.
    Example: poisson_overdispersion([2, 14, 3, 13]) has ratio 5.08 and p-value 0.0016.
    """
    events, seen_in = broadcast(
        counts=as_counts("counts", counts), exposure=as_amounts("exposure", exposure)
    )
    as_series("counts", events)
    used = seen_in > 0
    require(used.sum() >= 2, "exposure must be above 0 for at least two points")
    events, seen_in = events[used], seen_in[used]
    if not events.any():
        return Dispersion(0.0, 0.0, events.size - 1, 1.0)
    expected = seen_in * events.sum() / seen_in.sum()
    return _dispersion((events - expected) ** 2 / expected)


def binomial_overdispersion(defective: npt.ArrayLike, inspected: npt.ArrayLike) -> Dispersion:
    """Test whether fractions vary more between samples than binomial ones with one chance do.

    Formula: D = sum (x_i - n_i p)^2 / (n_i p (1 - p)) with p = sum x / sum n, against chi-square
    with m - 1 degrees of freedom, upper tail; with equal n this is
    (m - 1) observed variance / theoretical variance. Samples with nothing inspected are left out.
    With none or all bad D is 0 and the p-value 1.

    Args: defective: bad items per sample. inspected: same length or one number.
    Raises: ValueError naming the argument; at least two samples are needed.
    Source: Wetherill and Brown (1991), Statistical Process Control, pp. 212-218.
    Example: the 30 published samples of 50 have ratio 0.7645, D 22.169, p-value 0.8131.
    """
    bad, seen = broadcast(
        defective=as_counts("defective", defective), inspected=as_counts("inspected", inspected)
    )
    as_series("defective", bad)
    require((bad <= seen).all(), "defective must not be more than inspected")
    used = seen > 0
    require(used.sum() >= 2, "inspected must be above 0 for at least two samples")
    bad, seen = bad[used], seen[used]
    fraction = float(bad.sum() / seen.sum())
    if fraction in (0.0, 1.0):
        return Dispersion(0.0, 0.0, bad.size - 1, 1.0)
    return _dispersion((bad - seen * fraction) ** 2 / (seen * fraction * (1 - fraction)))
