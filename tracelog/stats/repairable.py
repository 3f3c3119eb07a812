"""Failures of machines that are repaired and run on: is it getting better or worse?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    as_amounts,
    as_numbers,
    as_probability,
    as_series,
    require,
)
from tracelog.stats.intervals import Interval


@dataclass(frozen=True)
class PowerLaw:
    """A power-law process: expected failures per machine by age t are intensity x t^shape.

    `shape` above 1 means that failures come faster with age, below 1 slower. `unbiased_shape` is
    (n - 1) / n x shape. `mean_between` is the mean age between failures at the end, at the given
    shape; `mean_between_unbiased` with the unbiased one. `trend` is chi-square with
    `trend_degrees` degrees of freedom if there is no trend: a small value speaks for worsening, a
    large one for improvement. `laplace` is standard normal if there is no trend: negative speaks
    for improvement, positive for worsening. `p_value` is two-sided, from the trend.
    `cramer_von_mises` measures misfit with the unbiased shape (nan unless all machines have one
    end).
    """

    failures: int
    shape: float
    intensity: float
    unbiased_shape: float
    mean_between: float
    mean_between_unbiased: float
    trend: float
    trend_degrees: int
    laplace: float
    p_value: float
    cramer_von_mises: float

    def shape_interval(self, confidence: float = 0.95) -> Interval[float]:
        """Interval of the shape: chi2(a/2; 2 n) to chi2(1 - a/2; 2 n) over the trend.

        Given how often each machine failed, shape x trend is chi-square with 2 n degrees of
        freedom (MIL-HDBK-189, sec. 5).
        """
        from scipy.special import gammaincinv

        tail = (1 - as_probability("confidence", confidence)) / 2
        low, high = (
            2 * float(gammaincinv(self.failures, p)) / self.trend for p in (tail, 1 - tail)
        )
        return Interval(self.shape, low, high, confidence)

    def expected(self, age: npt.ArrayLike) -> FloatArray:
        """Expected failures of one machine by an age: intensity x age^shape."""
        reached = as_amounts("age", age)
        return np.asarray(self.intensity * reached**self.shape, dtype=np.float64)


def power_law_process(failure_ages: Sequence[npt.ArrayLike], ends: npt.ArrayLike) -> PowerLaw:
    """Fit a power-law process to one or several alike machines, each watched up to a fixed age.

    Formula: with n failures at ages t on machines watched to T: intensity = n / sum T^k and k
    solves n / k + sum ln t = intensity sum T^k ln T; with one common T, k = n / sum ln(T / t).
    Trend 2 sum ln(T / t) on 2 n degrees of freedom; Laplace (sum t - sum n_i T_i / 2) /
    sqrt(sum n_i T_i^2 / 12). Assumes minimal repair: a repair leaves the machine as it was just
    before.

    Args:
        failure_ages: one list of ages at failure per machine, each above 0 and at most its end.
        ends: age at which each machine's watch ended, above 0 (one number for all).
    Returns: PowerLaw; ages in the unit given.
    Raises: ValueError naming the argument; at least two failures are needed.
    Source: Crow (1975), AMSAA Technical Report 138; MIL-HDBK-189; NIST/SEMATECH e-Handbook 8.1.7.2.
    Example: 10 repairs in 1500 hours: shape 0.5372, unbiased 0.4835, 310 hours between failures.
    """
    systems = [as_amounts("failure_ages", ages, positive=True).ravel() for ages in failure_ages]
    require(systems, "failure_ages must hold at least one machine")
    given = as_amounts("ends", ends, positive=True)
    require(given.ndim == 0 or given.shape == (len(systems),), "ends must hold one age per machine")
    end = np.broadcast_to(given, (len(systems),))
    for ages, last in zip(systems, end, strict=True):
        require((ages <= last).all(), "failure_ages must not be above the machine's end")
    t = np.concatenate(systems)
    last_of = np.concatenate([np.full(s.shape, e) for s, e in zip(systems, end, strict=True)])
    n = t.size
    require(n >= 2, "failure_ages must hold at least two failures")
    logs = float(np.log(last_of / t).sum())
    require(logs > 0, "failure_ages must not all lie at the end")
    shape = _shape(t, end, logs)
    intensity = n / float((end**shape).sum())
    unbiased = shape * (n - 1) / n
    return PowerLaw(
        failures=n,
        shape=shape,
        intensity=intensity,
        unbiased_shape=unbiased,
        mean_between=_mean_between(shape, n, end),
        mean_between_unbiased=_mean_between(unbiased, n, end),
        trend=2 * logs,
        trend_degrees=2 * n,
        laplace=float((t - last_of / 2).sum()) / math.sqrt(float((last_of**2).sum()) / 12),
        p_value=_two_sided(logs, n),
        cramer_von_mises=_misfit(t, end, unbiased),
    )


def _shape(t: FloatArray, end: FloatArray, logs: float) -> float:
    """Maximum-likelihood shape; closed for one common end, else by bisection."""
    top = float(end.max())
    if (end == top).all():
        return t.size / logs
    log_end, mean_log = np.log(end / top), float(np.log(t / top).mean())

    def excess(shape: float) -> float:
        powers = np.exp(shape * log_end)
        return 1 / shape + mean_log - float(powers @ log_end) / float(powers.sum())

    low, high = 1e-6, 1.0
    while excess(high) > 0 and high < 1e6:
        high *= 2
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2


def _mean_between(shape: float, failures: int, end: FloatArray) -> float:
    """One over the intensity at the highest age: sum T^k / (n k T^(k-1))."""
    top = float(end.max())
    return float(((end / top) ** shape).sum()) * top / (failures * shape)


def _two_sided(logs: float, failures: int) -> float:
    from scipy.special import gammainc, gammaincc

    smaller = min(float(gammainc(failures, logs)), float(gammaincc(failures, logs)))
    return min(1.0, 2 * smaller)


def _misfit(t: FloatArray, end: FloatArray, shape: float) -> float:
    """Cramer-von Mises statistic of (t / T)^shape against the uniform distribution."""
    if not (end == end[0]).all():
        return math.nan
    share = np.sort((t / end[0]) ** shape)
    expected = (2 * np.arange(1, t.size + 1) - 1) / (2 * t.size)
    return 1 / (12 * t.size) + float(((share - expected) ** 2).sum())


def mean_cumulative_failures(
    failure_ages: Sequence[npt.ArrayLike], ends: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Mean number of failures per machine up to each age at which one failed.

    Formula: sum of 1 / (machines still watched at that age). Assumes that the end of a machine's
    watch has nothing to do with its failures; no form of the rate is assumed.

    Args: as `power_law_process`. Returns: ages in rising order, and the mean number up to each.
    Raises: ValueError naming the argument.
    Source: Nelson (1988), J. Quality Technology 20:24-35.
    Example: failures at 1 and 2 of a machine watched to 4 and at 3 of one watched to 3.5 give
        0.5, 1.0, 1.5.
    """
    systems = [as_numbers("failure_ages", ages).ravel() for ages in failure_ages]
    require(systems, "failure_ages must hold at least one machine")
    given = as_amounts("ends", ends, positive=True)
    require(given.ndim == 0 or given.shape == (len(systems),), "ends must hold one age per machine")
    end = np.broadcast_to(given, (len(systems),))
    ages = np.sort(as_series("failure_ages", np.concatenate(systems)))
    watched = (end[None, :] >= ages[:, None]).sum(axis=1)
    require((watched > 0).all(), "failure_ages must not be above the machine's end")
    return ages, np.cumsum(1 / watched)
