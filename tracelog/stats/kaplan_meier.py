"""Share of parts still alive by age, without any form of the life distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_lives, as_probability, one_number


@dataclass(frozen=True)
class KaplanMeier:
    """Share still alive after each age at which something failed, with standard errors.

    `begins` is the lowest age at which a part came under watch: the shares are of those parts that
    reached it (0: of all).
    """

    ages: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    survival: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray
    confidence: float
    begins: float

    def at(self, age: float) -> float:
        """Share alive just after an age; beyond the last age it stays at the last value."""
        place = int(np.searchsorted(self.ages, one_number("age", age), side="right"))
        return float(self.survival[place - 1]) if place else 1.0

    def median(self) -> float:
        """First age at which no more than half are alive; nan if it never comes to that."""
        below = np.flatnonzero(self.survival <= 0.5 + 1e-12)
        return float(self.ages[below[0]]) if below.size else math.nan


def kaplan_meier(
    ages: npt.ArrayLike,
    failed: npt.ArrayLike,
    entries: npt.ArrayLike | None = None,
    *,
    confidence: float = 0.95,
) -> KaplanMeier:
    """Share alive by age without any assumption on the form of the life distribution.

    Formula: S = product of (1 - d / n) over the ages up to now at which d of n at risk failed;
    standard error S sqrt(sum d / (n (n - d))) (Greenwood); interval normal on ln(-ln S). A part is
    at risk from just after its entry up to and at its end. Where S is 0 the standard error and the
    interval are 0; with late entries S may come to 0 early, where few were at risk, and stays.

    Args: as `fit_weibull`. confidence: two-sided.
    Raises: ValueError naming the argument.
    Source: Kaplan and Meier (1958), J. American Statistical Association 53:457-481; Greenwood
        (1926); entries: Klein and Moeschberger (2003), Survival Analysis, 2nd ed., sec. 4.6.
    Example: the 21 patients given 6-MP have S(6) = 0.857 with standard error 0.0764.
    """
    from scipy.special import ndtri

    lives = as_lives(ages, failed, entries)
    z = float(ndtri(1 - (1 - as_probability("confidence", confidence)) / 2))
    steps, deaths = np.unique(lives.ages[lives.failed], return_counts=True)
    failures = deaths.astype(np.float64)
    entered = np.searchsorted(np.sort(lives.entries), steps, side="left")
    left = np.searchsorted(np.sort(lives.ages), steps, side="left")
    at_risk = (entered - left).astype(np.float64)
    survival = np.asarray(np.cumprod(1 - failures / at_risk), dtype=np.float64)
    alive = survival > 0
    terms = np.divide(
        failures, at_risk * (at_risk - failures), out=np.zeros(steps.shape), where=alive
    )
    relative = np.sqrt(np.cumsum(terms))
    # ln(-ln S) is not defined where nobody is left.
    log_s = np.log(np.where(alive, survival, 0.5))
    reach = np.exp(z * relative / -log_s)
    return KaplanMeier(
        ages=steps,
        at_risk=at_risk,
        failures=failures,
        survival=survival,
        standard_error=survival * relative,
        low=np.where(alive, np.exp(log_s * reach), 0.0),
        high=np.where(alive, np.exp(log_s / reach), 0.0),
        confidence=confidence,
        begins=float(lives.entries.min()),
    )
