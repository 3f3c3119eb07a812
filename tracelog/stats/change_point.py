"""When did a rate of events change?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    as_amounts,
    as_counts,
    as_series,
    broadcast,
    one_number,
    require,
)


@dataclass(frozen=True)
class ChangePoint:
    """One change of a Poisson rate.

    `last_before` is the index of the last period before the change, by maximum likelihood;
    `rate_before` and `rate_after` the rates on either side, `twice_log_ratio` twice the log
    likelihood ratio against no change. `posterior` gives for each period but the last the
    probability that it was the last before the change, given that there was one change;
    `probability_of_change` weighs one change against none, both equally likely beforehand.
    """

    last_before: int
    rate_before: float
    rate_after: float
    twice_log_ratio: float
    posterior: FloatArray
    most_probable: int
    probability_of_change: float


def poisson_change_point(
    counts: npt.ArrayLike,
    exposure: npt.ArrayLike = 1.0,
    prior: tuple[float, float] | None = None,
) -> ChangePoint:
    """Find one change in the rate of Poisson counts whose exposure may vary.

    Formula: the log likelihood of a change after period t is X1 ln(X1/E1) + X2 ln(X2/E2), X and E
    being the events and exposure on either side. With independent Gamma(a, b) priors of the rates
    and a flat one of t the posterior is proportional to G(a + X1) (b + E1)^-(a + X1) G(a + X2)
    (b + E2)^-(a + X2). Assumes one change at most, at the edge of a period.

    Args:
        counts: events per period, in time order, two or more.
        exposure: per period, above 0; one number if all are the same.
        prior: (a, b); None: a = 0.5 and b so that the prior mean is the overall rate.
    Returns: ChangePoint; rates in events per unit of exposure.
    Raises: ValueError naming the argument.
    Source: Carlin, Gelfand and Smith (1992), Applied Statistics 41:389-405; data Jarrett (1979).
    Example: coal-mining disasters 1851 to 1962: 3.098 a year up to 1891, then 0.901.
    """
    events, seen_in = broadcast(
        counts=as_counts("counts", counts),
        exposure=as_amounts("exposure", exposure, positive=True),
    )
    as_series("counts", events, least=2)
    total, all_exposure = float(events.sum()), float(seen_in.sum())
    if prior is None:
        a, b = 0.5, 0.5 * all_exposure / max(total, 0.5)
    else:
        require(len(prior) == 2, "prior must be (shape, rate)")
        a = one_number("prior", prior[0], above=0)
        b = one_number("prior", prior[1], above=0)
    before, exposed = np.cumsum(events)[:-1], np.cumsum(seen_in)[:-1]
    gain = _gain(before, exposed) + _gain(total - before, all_exposure - exposed)
    last = int(gain.argmax())
    none = float(_gain(np.array(total), np.array(all_exposure)))
    log_change = _evidence(before, exposed, a, b) + _evidence(
        total - before, all_exposure - exposed, a, b
    )
    log_none = float(_evidence(np.array(total), np.array(all_exposure), a, b))
    top = float(log_change.max())
    weights = np.exp(log_change - top)
    log_odds = top + float(np.log(weights.mean())) - log_none
    return ChangePoint(
        last_before=last,
        rate_before=float(before[last] / exposed[last]),
        rate_after=float((total - before[last]) / (all_exposure - exposed[last])),
        twice_log_ratio=max(0.0, 2 * (float(gain[last]) - none)),
        posterior=weights / weights.sum(),
        most_probable=int(weights.argmax()),
        probability_of_change=float(np.exp(-np.logaddexp(0.0, -log_odds))),
    )


def _gain(events: FloatArray, exposure: FloatArray) -> FloatArray:
    """Log likelihood of events at their own rate, but for a constant."""
    from scipy.special import xlogy

    return np.asarray(xlogy(events, events / exposure), dtype=np.float64)


def _evidence(events: FloatArray, exposure: FloatArray, a: float, b: float) -> FloatArray:
    """Log marginal likelihood of events at one unknown rate, but for what all splits share."""
    from scipy.special import gammaln

    value = a * np.log(b) - gammaln(a) + gammaln(a + events) - (a + events) * np.log(b + exposure)
    return np.asarray(value, dtype=np.float64)
