"""Replace a part by age, or let it run until it fails?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_amounts, one_number


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
    interval: npt.ArrayLike, shape: float, scale: float, planned_cost: float, failure_cost: float
) -> FloatArray:
    """Long-run cost per unit of age when a part is replaced at an age or at failure before it.

    Formula: (Cp S(T) + Cf (1 - S(T))) / integral of S from 0 to T, with S(t) = exp(-(t / scale)^
    shape); the integral is scale G(1 + 1/k) P(1/k, (T / scale)^k), P the regularised incomplete
    gamma function. Assumes that a new part is as good as the first one and the life is Weibull.

    Args: interval: ages T above 0 (infinite allowed: run to failure). shape, scale: of the life.
        planned_cost, failure_cost: of one replacement, above 0, same unit.
    Raises: ValueError naming the argument.
    Source: Barlow and Hunter (1960), Operations Research 8:90-100.
    Example: shape 2.5, scale 1000, costs 1 and 5: 0.003462 at 493.05.
    """
    from scipy.special import gammainc

    k = one_number("shape", shape, above=0)
    eta = one_number("scale", scale, above=0)
    planned = one_number("planned_cost", planned_cost, above=0)
    failure = one_number("failure_cost", failure_cost, above=0)
    ages = np.asarray(interval, dtype=np.float64)
    endless = np.isinf(ages)
    finite = as_amounts("interval", np.where(endless, 1.0, ages), positive=True)
    hazard = np.where(endless, np.inf, (finite / eta) ** k)
    alive = np.exp(-hazard)
    mean_time = eta * math.gamma(1 + 1 / k) * gammainc(1 / k, hazard)
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
    age = eta * _best_age(k, planned_cost / (failure_cost - planned_cost))
    cost = float(replacement_cost_rate(age, k, eta, planned_cost, failure_cost))
    if not cost < endless * (1 - 1e-9):
        return AgeReplacement(math.inf, endless, endless, worthwhile=False, saving=0.0)
    return AgeReplacement(age, cost, endless, worthwhile=True, saving=1 - cost / endless)


def _best_age(shape: float, cost_ratio: float) -> float:
    """Best age over scale, by bisection on its logarithm: the left side rises with age."""
    from scipy.special import gammainc

    mean = math.gamma(1 + 1 / shape)

    def excess(log_age: float) -> float:
        # Far beyond any life the hazard overflows; by then the answer is "never".
        hazard = math.exp(min(shape * log_age, 600.0))
        rate = shape * math.exp(min((shape - 1) * log_age, 600.0))
        lived = mean * float(gammainc(1 / shape, hazard))
        return rate * lived + math.expm1(-hazard) - cost_ratio

    low, high = -1.0, 1.0
    while excess(low) > 0 and low > -500:
        low *= 2
    while excess(high) < 0 and high < 500:
        high *= 2
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) < 0 else (low, middle)
    return math.exp((low + high) / 2)
