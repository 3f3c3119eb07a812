"""Levels that drift: how far back series remember, where they stand, what their sums will be.

Many short series of one kind, such as the speed of each machine day by day, are taken as

    y_d = L + x_d + e_d,    x_(d+1) = k x_d + u_d

with a lasting level L of each series, a drift x that fades by the factor k from day to day, and
noise e of each day's own. k, the variance of x and that of e are the same for all series.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracelog.stats.inputs import BoolArray, FloatArray, IntArray, require

# Between a week and a quarter of a year; a finer grid changes no forecast.
_KEEPS = (0.87, 0.92, 0.95, 0.965, 0.975, 0.985, 0.992)


@dataclass(frozen=True)
class Drift:
    """How series of one kind move.

    Attributes:
        keeps: share of a drift that is left a day later (k), 0 to below 1.
        variance: of the drift in the long run.
        noise: variance of a day's own.
        seen: how many independent looks at the drift its variance rests on.
    """

    keeps: float
    variance: float
    noise: float
    seen: float

    @property
    def shock(self) -> float:
        """Variance that each day adds to the drift."""
        return self.variance * (1 - self.keeps**2)

    def mean_variance(self, days: int) -> float:
        """Variance of the mean of `days` consecutive values about the lasting level.

        Formula: (v (1 + 2 sum over j below n of (1 - j/n) k^j) + noise) / n.
        Source: Brockwell and Davis (2016), Introduction to Time Series and Forecasting, 2.4.1.
        Example: with noise 1 and no drift the mean of 4 days has the variance 0.25.
        """
        require(days >= 1, "days must be at least 1")
        apart = np.arange(1, days)
        together = 1 + 2 * float(((1 - apart / days) * self.keeps**apart).sum())
        return (self.variance * together + self.noise) / days


@dataclass(frozen=True)
class Levels:
    """Where each series stands after its last day, and how sure that is; all one per series.

    `together` is the covariance of level and drift.
    """

    level: FloatArray
    drift: FloatArray
    level_variance: FloatArray
    together: FloatArray
    drift_variance: FloatArray


def semivariance(
    values: FloatArray, known: BoolArray, lags: IntArray
) -> tuple[FloatArray, IntArray]:
    """Half the mean squared difference of values so many days apart, over all series.

    Unlike autocovariances it needs no mean, whose error would hide a slow drift.

    Args:
        values: one row for each series, one column for each day.
        known: which values count.
        lags: distances in days, each below the number of days.

    Returns:
        For each lag the semivariance (0 without pairs), and how many pairs it rests on.
    Source: Matheron (1963), Economic Geology 58, 1246-1266.
    Example: 1, 2, 3 has semivariance 0.5 at lag 1, from two pairs.
    """
    found = np.zeros(len(lags))
    pairs = np.zeros(len(lags), dtype=np.intp)
    filled = np.where(known, values, 0.0)
    for place, lag in enumerate(lags):
        both = known[:, lag:] & known[:, :-lag]
        apart = (filled[:, lag:] - filled[:, :-lag]) * both
        pairs[place] = int(both.sum())
        found[place] = float((apart**2).sum()) / 2 / max(int(pairs[place]), 1)
    return found, pairs


def fit_drift(values: FloatArray, known: BoolArray, usual: Drift, longest: int = 42) -> Drift:
    """Estimate how series of one kind move, from all of them together.

    The semivariance at lag j of the model, noise + f (1 - 2^-j) + v (1 - k^j), is fitted by least
    squares of the relative errors, weighted by pairs over lag, for each k of a grid; none of the
    variances is below 0. The second term is what a day has in common with the next few; sums of
    many days see it as noise of 3 f, as which it is kept. The result is then drawn towards what
    is usual, which counts as two looks at the drift and five days.

    Args:
        values: one row for each series, one column for each day.
        known: which values count.
        usual: taken where there are too few days, its `seen` left aside.
        longest: no larger lags, in days.

    Source: Cressie (1985), Mathematical Geology 17, 563-586, for the weights.
    Example: of 30 days that never change variance and noise are 0.
    """
    lags = np.arange(1, min(longest, values.shape[1] // 2) + 1)
    found, pairs = semivariance(values, known, lags)
    good = pairs >= 8
    if good.any() and not found[good].any():
        return Drift(usual.keeps, 0.0, 0.0, 2.0)
    good &= found > 0
    if good.sum() < 4:
        return usual
    lags, found = lags[good], found[good]
    roots = np.sqrt(pairs[good] / lags) / found
    keeps, noise, variance = min(
        (_fitted(found, lags, roots, keeps) for keeps in _KEEPS), key=lambda one: one[0]
    )[1:]
    count = float(known.sum())
    days = (1 + keeps) / (1 - keeps)
    clear = max(variance, usual.variance) / (max(variance, usual.variance) + noise / days)
    looks = count / days * clear**2
    return Drift(
        keeps,
        (variance * looks + usual.variance * 2) / (looks + 2),
        (noise * count + usual.noise * 5) / (count + 5),
        looks + 2,
    )


def _fitted(
    found: FloatArray, lags: IntArray, roots: FloatArray, keeps: float
) -> tuple[float, float, float, float]:
    """Loss, k, noise and variance of the best fit with this k, none of its terms below 0."""
    apart = lags.astype(np.float64)
    terms = np.stack([np.ones(len(apart)), 1 - 0.5**apart, 1 - keeps**apart])
    scaled, wanted = terms * roots, found * roots
    best = (np.inf, keeps, 0.0, 0.0)
    for chosen in ((0, 1, 2), (0, 2), (1, 2), (0, 1), (0,), (1,), (2,)):
        own = scaled[list(chosen)]
        try:
            share = np.linalg.solve(own @ own.T, own @ wanted)
        except np.linalg.LinAlgError:
            continue
        loss = float(((wanted - share @ own) ** 2).sum())
        if (share >= 0).all() and loss < best[0] - 1e-12:
            all_terms = np.zeros(3)
            all_terms[list(chosen)] = share
            best = (loss, keeps, float(all_terms[0] + 3 * all_terms[1]), float(all_terms[2]))
    return best


def spread_of_levels(
    values: FloatArray, known: BoolArray, drift: Drift, least_days: int = 7
) -> tuple[float, float]:
    """Mean and variance of the lasting level of a series of this kind, before it is looked at.

    The variance of the series' means is that of their levels and of the error of a mean, which
    is taken off (moments; Cochran 1977, Sampling Techniques, 10.3). The error of the overall
    mean is added.

    Args:
        values: one row for each series, one column for each day.
        known: which values count.
        drift: how such series move.
        least_days: series with fewer known days tell nothing, unless none has more.
    Source: Cochran (1977), Sampling Techniques, 10.3.
    Example: ten days of 1 and ten of 3, with a noise of 0.1 and no drift, have the mean 2 and the
        variance 2.99: 1.99 between them, and half of 2 for the mean of two.
    """
    counts = known.sum(axis=1)
    enough = counts >= min(least_days, max(int(counts.max(initial=0)), 1))
    if not enough.any():
        return 0.0, 0.0
    means = np.where(known, values, 0.0).sum(axis=1)[enough] / counts[enough]
    middle = float(means.mean())
    error = float(np.mean([drift.mean_variance(int(count)) for count in set(counts[enough])]))
    if len(means) == 1:
        return middle, error + (0.1 * middle) ** 2
    between = max(float(means.var(ddof=1)) - error, 0.0)
    return middle, between + (between + error) / len(means)


def filter_levels(
    values: FloatArray,
    known: BoolArray,
    weights: FloatArray,
    drifts: tuple[Drift, ...],
    priors: tuple[tuple[float, float], ...],
) -> tuple[Levels, ...]:
    """Where series stand after their last day: level and drift by the Kalman filter.

    Args:
        values: kinds of series, series, days.
        known: which values count; days without one only let the drift fade.
        weights: how much of a day each value is of; its noise variance is divided by it.
        drifts: how each kind moves.
        priors: mean and variance of the levels of each kind.

    Returns:
        Levels of each kind.
    Source: Kalman (1960), Journal of Basic Engineering 82, 35-45; Durbin and Koopman (2012),
        Time Series Analysis by State Space Methods, 4.3.
    Example: a day of 3 after a level of 1, both with the variance 1 and no drift, leaves a level
        of 2.
    """
    kinds, series, days = values.shape

    def each(numbers: list[float]) -> FloatArray:
        return np.repeat(np.array(numbers, dtype=np.float64)[:, None], series, axis=1)

    keeps, shock = each([one.keeps for one in drifts]), each([one.shock for one in drifts])
    noise = each([one.noise for one in drifts])[:, :, None] / np.maximum(weights, 0.05) + 1e-12
    level, drift = each([one[0] for one in priors]), np.zeros((kinds, series))
    a, b = each([one[1] for one in priors]), np.zeros((kinds, series))
    c = each([one.variance for one in drifts])
    seen = np.where(known, values, 0.0)
    for day in range(days):
        drift, b, c = keeps * drift, keeps * b, keeps * keeps * c + shock
        share = known[:, :, day] / (a + 2 * b + c + noise[:, :, day])
        missed = seen[:, :, day] - level - drift
        lasting, passing = a + b, b + c
        level = level + lasting * share * missed
        drift = drift + passing * share * missed
        a, b, c = (
            a - share * lasting**2,
            b - share * lasting * passing,
            c - share * passing**2,
        )
    return tuple(Levels(level[n], drift[n], a[n], b[n], c[n]) for n in range(kinds))


def sum_variances(
    weights: FloatArray, levels: Levels, drift: Drift, inflated: float = 1.0
) -> FloatArray:
    """Variance of the sums of w_d (L + x_d) over the days to come, up to each day.

    Args:
        weights: w, one row for each series, one column for each day after the last one seen.
        levels: where the series stand.
        drift: how they move.
        inflated: factor on the variances of the drift, for what is not known of it.

    Returns:
        As many variances as weights, never falling along a row.
    Formula: sum of w_i w_j (a + b (k^i + k^j) + cov(x_i, x_j)) over the days up to each, with the
        variance a of the level and its covariance b with the drift.
    Source: Durbin and Koopman (2012), Time Series Analysis by State Space Methods, 4.11.
    Example: a level of variance 0.01 without drift gives 0.01, 0.04, 0.09 for three days of 1.
    """
    days = weights.shape[1]
    steps = np.arange(1, days + 1, dtype=np.float64)
    faded = drift.keeps**steps
    now = levels.drift_variance[:, None] * inflated
    settled = drift.variance * inflated
    each = weights * (now * faded**2 + settled * (1 - faded**2))
    made = np.cumsum(weights, axis=1)
    earlier = _faded_sums(each, drift.keeps)
    drifting = np.cumsum(weights * (2 * earlier + each), axis=1)
    lasting = made**2 * levels.level_variance[:, None]
    crossed = 2 * levels.together[:, None] * made * np.cumsum(weights * faded, axis=1)
    return np.maximum.accumulate(np.maximum(lasting + crossed + drifting, 0.0), axis=1)


def _faded_sums(values: FloatArray, keeps: float) -> FloatArray:
    """For each day the sum of the earlier values, each faded by `keeps` for each day since."""
    if keeps < 0.05:
        found = np.zeros_like(values)
        found[:, 1:] = keeps * values[:, :-1]
        return found
    # In stretches, so that the powers stay within what a float holds.
    stretch = max(1, int(200 / -np.log(min(keeps, 0.999))))
    found = np.zeros_like(values)
    carried = np.zeros(values.shape[0])
    for start in range(0, values.shape[1], stretch):
        part = values[:, start : start + stretch]
        scale = keeps ** np.arange(part.shape[1], dtype=np.float64)
        sums = np.cumsum(part / scale, axis=1)
        found[:, start : start + stretch] = (carried[:, None] + sums - part / scale) * scale
        carried = (carried + sums[:, -1]) * scale[-1] * keeps
    return found
