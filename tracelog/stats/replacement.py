"""Replace a part by age, or let it run until it fails?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_amounts, broadcast, one_number, require
from tracelog.stats.lifetimes import Weibull

# Below it the mean life is beyond any number, and nobody would replace by age.
LEAST_SHAPE = 0.01


@dataclass(frozen=True)
class AgeReplacement:
    """The age of replacement that costs least.

    `worthwhile` is false where replacing by age cannot cost less than running to failure; the
    interval is then infinite. Costs are per unit of age. `saving` is the share of the
    run-to-failure cost that is saved.
    """

    interval: float
    cost_rate: float
    run_to_failure_cost_rate: float
    worthwhile: bool
    saving: float


def replacement_cost_rate(
    interval: npt.ArrayLike,
    shape: npt.ArrayLike,
    scale: npt.ArrayLike,
    planned_cost: float,
    failure_cost: float,
) -> FloatArray:
    """Long-run cost per unit of age when a part is replaced at an age or at failure before it.

    Formula: (Cp S(T) + Cf (1 - S(T))) / integral of S from 0 to T, with S(t) = exp(-(t / scale)^
    shape); the integral is scale G(1 + 1/k) P(1/k, (T / scale)^k), P the regularised incomplete
    gamma function. Assumes that a new part is as good as the first one and the life is Weibull.

    Args: interval: ages T above 0 (infinite allowed: run to failure). shape, scale: of the life,
        of one form with the ages. planned_cost, failure_cost: of one replacement, above 0, same
        unit.
    Raises: ValueError naming the argument.
    Source: Barlow and Hunter (1960), Operations Research 8:90-100.
    Example: shape 2.5, scale 1000, costs 1 and 5: 0.003462 at 493.05.
    """
    from scipy.special import gamma, gammainc

    planned = one_number("planned_cost", planned_cost, above=0)
    failure = one_number("failure_cost", failure_cost, above=0)
    given = np.asarray(interval, dtype=np.float64)
    finite = as_amounts("interval", np.where(np.isposinf(given), 1.0, given), positive=True)
    ages, _, k, eta = broadcast(
        interval=given,
        finite=finite,
        shape=as_amounts("shape", shape, positive=True),
        scale=as_amounts("scale", scale, positive=True),
    )
    require((k >= LEAST_SHAPE).all(), f"shape must be {LEAST_SHAPE:g} or more")
    # Far beyond any life the hazard overflows; by then nothing is alive.
    with np.errstate(over="ignore"):
        hazard = (ages / eta) ** k
    alive = np.exp(-hazard)
    # Where next to none fails by then, every part lives the whole interval.
    early = hazard < 1e-12
    mean_time = eta * gamma(1 + 1 / k) * gammainc(1 / k, np.where(early, 1.0, hazard))
    mean_time = np.where(early, ages, mean_time)
    return np.asarray((planned * alive + failure * (1 - alive)) / mean_time, dtype=np.float64)


def age_replacement(
    shape: float, scale: float, planned_cost: float, failure_cost: float
) -> AgeReplacement:
    """Age of replacement with the least long-run cost.

    Formula: the best T solves h(T) M(T) - (1 - S(T)) = Cp / (Cf - Cp), h the hazard and M the
    integral of S. It exists where the shape is above 1 and a failure costs more than a planned
    replacement; else running to failure costs least. Assumptions as `replacement_cost_rate`.

    Args, Raises: as `replacement_cost_rate`.
    Source: Barlow and Hunter (1960), Operations Research 8:90-100.
    Example: shape 2.5, scale 1000, costs 1 and 5: replace at 493.05, cost 0.003462 against
        0.0056353.
    """
    k = one_number("shape", shape, above=0)
    eta = one_number("scale", scale, above=0)
    endless = float(replacement_cost_rate(math.inf, k, eta, planned_cost, failure_cost))
    if k <= 1 or failure_cost <= planned_cost:
        return AgeReplacement(math.inf, endless, endless, worthwhile=False, saving=0.0)
    age = eta * float(_best_age(k, planned_cost / (failure_cost - planned_cost)))
    cost = float(replacement_cost_rate(age, k, eta, planned_cost, failure_cost))
    if not cost < endless * (1 - 1e-9):
        return AgeReplacement(math.inf, endless, endless, worthwhile=False, saving=0.0)
    return AgeReplacement(age, cost, endless, worthwhile=True, saving=1 - cost / endless)


def _best_age(shape: npt.ArrayLike, cost_ratio: float) -> FloatArray:
    """Best age over scale for shapes above 1, by bisection on its logarithm.

    The left side of the equation rises with age. Ages beyond e^500 are told as such.
    """
    from scipy.special import gamma, gammainc

    k = np.asarray(shape, dtype=np.float64)
    mean = gamma(1 + 1 / k)
    low, high = np.full(k.shape, -500.0), np.full(k.shape, 500.0)
    for _ in range(100):
        middle = (low + high) / 2
        # Far beyond any life the hazard overflows; by then the answer is "never".
        hazard = np.exp(np.minimum(k * middle, 600.0))
        rate = k * np.exp(np.minimum((k - 1) * middle, 600.0))
        lived = mean * gammainc(1 / k, hazard)
        too_young = rate * lived + np.expm1(-hazard) < cost_ratio
        low, high = np.where(too_young, middle, low), np.where(too_young, high, middle)
    return np.asarray(np.exp((low + high) / 2), dtype=np.float64)


@dataclass(frozen=True)
class ReplacementSaving:
    """What another interval saves against today's, and how sure that is.

    `best` is the best interval of the fitted life, `interval_low` and `interval_high` the ends of
    its profile-likelihood interval; infinite: run to failure. `saving` is the cost per unit of age
    that `interval_then` saves against today's, `saving_low` and `saving_high` the ends of its
    interval: the same change, were the life another one that the records do not rule out. Below 0
    it costs more than today. `most_share` is the largest share of the run-to-failure cost that
    replacing by age could save with any such life.
    """

    best: AgeReplacement
    interval_then: float
    cost_rate_now: float
    saving: float
    saving_low: float
    saving_high: float
    interval_low: float
    interval_high: float
    most_share: float
    confidence: float


def replacement_saving(
    fit: Weibull,
    planned_cost: float,
    failure_cost: float,
    interval_now: float,
    interval_then: float | None = None,
    *,
    confidence: float = 0.95,
) -> ReplacementSaving:
    """Saving of another age of replacement against the one in use.

    Formula: C(now) - C(then), C of `replacement_cost_rate`; its interval is the range over all
    shapes and scales that the lives do not rule out. Assumptions as `replacement_cost_rate`.

    Args: fit: of the lives. planned_cost, failure_cost: as `replacement_cost_rate`. interval_now:
        age at which parts are replaced today, infinite if they run to failure. interval_then: age
        at which they are to be replaced, None: the best one. confidence: of the intervals.
    Raises: ValueError naming the argument.
    Source: Barlow and Hunter (1960), Operations Research 8:90-100; intervals: Meeker and Escobar
        (1998), Statistical Methods for Reliability Data, ch. 8.
    Example: shape 2.5, scale 1000, costs 1 and 5, today 700: 0.003462 against 0.003770 a unit of
        age, a saving of 0.000308.
    """
    best = age_replacement(fit.shape, fit.scale, planned_cost, failure_cost)
    then = best.interval if interval_then is None else interval_then
    region = fit.region(confidence)

    def rate(interval: float | FloatArray, shape: FloatArray, scale: FloatArray) -> FloatArray:
        held = np.maximum(shape, LEAST_SHAPE)
        return replacement_cost_rate(interval, held, scale, planned_cost, failure_cost)

    def saving(shapes: FloatArray, scales: FloatArray) -> FloatArray:
        return rate(interval_now, shapes, scales) - rate(then, shapes, scales)

    # At one shape it grows with the scale and the share does not change: the edge is enough.
    def best_ages(shapes: FloatArray, scales: FloatArray) -> FloatArray:
        if failure_cost <= planned_cost:
            return np.full(shapes.shape, np.inf)
        wearing = shapes > 1
        ratio = planned_cost / (failure_cost - planned_cost)
        with np.errstate(over="ignore"):
            ages = scales * _best_age(np.where(wearing, shapes, 2.0), ratio)
        return np.where(wearing, ages, np.inf)

    def share(shapes: FloatArray, scales: FloatArray) -> FloatArray:
        ages = best_ages(shapes, scales)
        return 1 - rate(ages, shapes, scales) / rate(math.inf, shapes, scales)

    rates = replacement_cost_rate(
        [interval_now, then], fit.shape, fit.scale, planned_cost, failure_cost
    )
    saved = region.range_of(saving)
    ages = region.range_of(best_ages, rings=2)
    return ReplacementSaving(
        best=best,
        interval_then=then,
        cost_rate_now=float(rates[0]),
        saving=float(rates[0] - rates[1]),
        saving_low=saved[0],
        saving_high=saved[1],
        interval_low=ages[0],
        interval_high=ages[1],
        most_share=region.range_of(share, rings=2)[1],
        confidence=confidence,
    )
