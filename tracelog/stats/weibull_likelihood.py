"""The likelihood of a Weibull distribution for lives that were seen only in part."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, Lives, as_lives, as_probability, one_number, require

# Points on the edge of a region; a parabola through three of them finds an extreme between them.
_POINTS = 256
# Where even shapes far below the best one are not ruled out, the region is cut off here.
_FLOOR = 1e-4


def weibull_log_likelihood(
    shape: float,
    scale: float,
    ages: npt.ArrayLike,
    failed: npt.ArrayLike,
    entries: npt.ArrayLike | None = None,
) -> float:
    """Log likelihood of lives, some censored on the right, some entered in mid-life.

    Formula: sum over failures of ln k + (k - 1) ln t - k ln scale, less sum over all of
    (t^k - e^k) / scale^k: each life counts given that the part had reached its entry age e.
    Assumes that neither the age at entry nor the end of the record has to do with the failure.

    Args: shape, scale: above 0. ages, failed, entries: as `fit_weibull`.
    Raises: ValueError naming the argument.
    Source: Klein and Moeschberger (2003), Survival Analysis, 2nd ed., sec. 3.5; NIST/SEMATECH
        e-Handbook 8.4.1.3.
    Example: the 10 failures of 20 units in 500 hours have -75.135 at shape 1.7208, scale 606.528.
    """
    k, eta = one_number("shape", shape, above=0), one_number("scale", scale, above=0)
    lives = as_lives(ages, failed, entries)
    likelihood = WeibullLikelihood(lives)
    exponent = likelihood.log_exposure(k) - k * math.log(eta / likelihood.top)
    logs = float(np.log(lives.ages[lives.failed] / eta).sum())
    failures = likelihood.failures
    fixed = failures * math.log(k / eta) + (k - 1) * logs if failures else 0.0
    return fixed - math.exp(float(exponent))


class WeibullLikelihood:
    """The likelihood of lives as a function of shape, at the scale that is best for each.

    The profile is concave in the shape: it is the number of failures times
    mean (k - 1) ln t - ln integral Y(t) t^(k-1) dt, with Y(t) the number of parts seen at age t.
    So one root of its slope is all there can be. Ages are taken over the highest one, as
    logarithms, so that no power overflows.
    """

    def __init__(self, lives: Lives) -> None:
        self.top = float(lives.ages.max())
        self.failures = int(lives.failed.sum())
        self._log_ages = np.log(lives.ages) - math.log(self.top)
        begun = lives.entries > 0
        self._span = np.full(lives.ages.shape, np.inf)
        self._span[begun] = np.log(lives.ages[begun]) - np.log(lives.entries[begun])
        self._all_begun = bool(begun.all())
        self._is_below_top = bool((lives.ages[lives.failed] < self.top).any())
        self._mean_failed = float(self._log_ages[lives.failed].mean()) if self.failures else 0.0

        self._regions: dict[float, LikelihoodRegion] = {}

    def log_exposure(self, shape: npt.ArrayLike) -> FloatArray:
        """Ln of sum (t^k - e^k), ages over the highest."""
        return np.asarray(np.log(self._weights(shape).sum(axis=-1)), dtype=np.float64)

    def _weights(self, shape: npt.ArrayLike) -> FloatArray:
        k = np.asarray(shape, dtype=np.float64)[..., None]
        return np.asarray(np.exp(k * self._log_ages) * -np.expm1(-k * self._span))

    def _slope(self, shape: float) -> float:
        """Slope of the profile over the number of failures."""
        weights = self._weights(shape)
        z = np.minimum(shape * self._span, 700.0)
        # 1 - z / (e^z - 1); its series where both terms are near 1.
        small = np.minimum(z, 1e-3)
        behind = np.where(
            z < 1e-3, small / 2 - small**2 / 12, 1 - z / np.expm1(np.maximum(z, 1e-3))
        )
        mean = float((weights * (self._log_ages - behind / shape)).sum() / weights.sum())
        return self._mean_failed - mean

    def best_shape(self) -> float:
        """The shape of highest likelihood.

        Raises:
            ValueError: there is none, named by the argument that is to blame.
        """
        require(self.failures > 0, "failed must hold at least one failure")
        require(self._is_below_top, "ages must hold a failure below the highest age")
        if self._all_begun:
            middle = self._log_ages - self._span / 2
            limit = self._mean_failed - float((self._span * middle).sum() / self._span.sum())
            require(
                limit > 1e-9,
                "entries must not all lie so late that failures only become rarer after them",
            )
        low, high = 1e-3, 1.0
        while self._slope(low) < 0:
            low /= 2
        while self._slope(high) > 0:
            high *= 2
        return _root(self._slope, low, high)

    def profile(self, shape: npt.ArrayLike) -> FloatArray:
        """Log likelihood at a shape and the scale that is best for it."""
        k = np.asarray(shape, dtype=np.float64)
        r = self.failures
        value = np.log(k) + (k - 1) * self._mean_failed - self.log_exposure(k) + math.log(r) - 1
        return np.asarray(r * (value - math.log(self.top)), dtype=np.float64)

    def log_scale(self, shape: npt.ArrayLike) -> FloatArray:
        """Ln of the scale that is best for a shape."""
        k = np.asarray(shape, dtype=np.float64)
        spread = (self.log_exposure(k) - math.log(self.failures)) / k
        return np.asarray(spread + math.log(self.top), dtype=np.float64)

    def region(self, confidence: float) -> LikelihoodRegion:
        """All shapes and scales that the lives do not rule out, see `LikelihoodRegion`."""
        level = as_probability("confidence", confidence)
        if level not in self._regions:
            self._regions[level] = self._region(level)
        return self._regions[level]

    def _region(self, confidence: float) -> LikelihoodRegion:
        from scipy.special import chdtri, lambertw

        depth = float(chdtri(1, 1 - confidence)) / 2
        best = self.best_shape()
        level = float(self.profile(best)) - depth
        low, high = self._shape_end(best, level, 0.5), self._shape_end(best, level, 2.0)
        start = math.log(max(low, high * _FLOOR))
        turn = 2 * np.pi * np.arange(_POINTS) / _POINTS
        shapes = np.exp(start + (math.log(high) - start) * (1 - np.cos(turn)) / 2)
        # What is left at a shape: failures x (u - 1 - ln u), u the scale^-k over its best value.
        spare = np.maximum(self.profile(shapes) - level, 0.0) / self.failures
        near = spare < 1e-8
        edge = -np.exp(-1 - np.where(near, 1.0, spare))
        side = np.where(turn < np.pi, -1.0, 1.0)
        far = -np.where(side < 0, lambertw(edge, 0).real, lambertw(edge, -1).real)
        u = np.where(near, 1 + side * np.sqrt(2 * spare) + 2 / 3 * spare, far)
        return LikelihoodRegion(
            shapes, self.log_scale(shapes) - np.log(u) / shapes, low, high, confidence
        )

    def _shape_end(self, best: float, level: float, step: float) -> float:
        """Where the profile falls below a level; 0 if it does not on the way down."""
        outside = best * step
        while float(self.profile(outside)) > level:
            outside *= step
            if outside < best * 1e-9:
                return 0.0
        return _root(lambda shape: float(self.profile(shape)) - level, best, outside)


def _root(quantity: Callable[[float], float], start: float, end: float) -> float:
    """Where a quantity is 0 between two shapes at which its signs differ."""
    from scipy.optimize import brentq

    found = brentq(lambda log: quantity(math.exp(log)), math.log(start), math.log(end), xtol=1e-14)
    return math.exp(found)


@dataclass(frozen=True)
class LikelihoodRegion:
    """Shapes and scales whose log likelihood is less than chi2(confidence; 1) / 2 below the best.

    The range of any quantity over it is that quantity's profile-likelihood interval. `shapes` and
    `log_scales` go round its edge. Where the lives do not rule out any small shape (all of them
    begun in mid-life), `shape_low` is 0 and the edge is cut off.

    Source: Meeker and Escobar (1998), Statistical Methods for Reliability Data, ch. 8; Venzon and
    Moolgavkar (1988), Applied Statistics 37:87-94.
    """

    shapes: FloatArray
    log_scales: FloatArray
    shape_low: float
    shape_high: float
    confidence: float

    @property
    def is_open(self) -> bool:
        """Whether no shape is too small for these lives."""
        return self.shape_low == 0

    def log_life(self, depth: float) -> tuple[float, float]:
        """Range of ln scale + depth / shape; minus infinity at the lower end if it is open."""
        low, high = _extremes(self.log_scales + depth / self.shapes)
        return (-math.inf if self.is_open else low), high

    def depths(self, log_ages: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Range of shape x (ln age - ln scale), the log of the cumulative hazard, at each age."""
        values = self.shapes[:, None] * (log_ages[None, :] - self.log_scales[:, None])
        return values.min(axis=0), values.max(axis=0)

    def range_of(
        self, quantity: Callable[[FloatArray, FloatArray], FloatArray], rings: int = 8
    ) -> tuple[float, float]:
        """Least and largest value of a function of (shapes, scales) inside and on the edge."""
        across = np.linspace(0, 1, rings)[:, None]
        # The scales of the edge lie in pairs at one shape; what is between them is inside.
        half = _POINTS // 2
        shapes = self.shapes[: half + 1]
        other = np.concatenate([self.log_scales[:1], self.log_scales[: half - 1 : -1]])
        inside = across * self.log_scales[: half + 1] + (1 - across) * other
        scales = np.exp(np.clip(inside, -700, 700))
        values = quantity(np.broadcast_to(shapes, scales.shape), scales)
        return float(np.min(values)), float(np.max(values))


def _extremes(values: FloatArray) -> tuple[float, float]:
    """Least and largest value of a smooth quantity known at equal steps round a closed curve."""
    found = []
    for sign in (-1.0, 1.0):
        signed = sign * values
        at = int(signed.argmax())
        before, here, after = signed[at - 1], signed[at], signed[(at + 1) % signed.size]
        bend = before - 2 * here + after
        found.append(sign * float(here - (before - after) ** 2 / (8 * bend) if bend else here))
    return found[0], found[1]
