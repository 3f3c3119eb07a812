"""Are two rates, or two fractions, the same?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tracelog.stats.inputs import (
    FloatArray,
    as_probability,
    one_count,
    one_number,
    require,
)

# Probabilities that differ by less than this share of themselves count as equal in the two-sided
# exact test, as the smallest difference that binary rounding cannot be trusted with.
_TIE = 1e-7


@dataclass(frozen=True)
class RateComparison:
    """Exact comparison of two Poisson rates; `ratio` is first over second, `low` to `high` its
    interval at `confidence`; `p_value` two-sided against the given ratio."""

    ratio: float
    low: float
    high: float
    p_value: float
    p_greater: float
    p_less: float
    confidence: float


@dataclass(frozen=True)
class Difference:
    """A standardised difference (first minus second) and its two-sided p-value."""

    statistic: float
    p_value: float


def compare_rates(
    first_count: int,
    first_exposure: float,
    second_count: int,
    second_exposure: float,
    ratio: float = 1.0,
    confidence: float = 0.95,
) -> RateComparison:
    """Exact conditional test that the first rate is `ratio` times the second, and its interval.

    Formula: given the total n = x1 + x2, x1 is binomial with p = r n1 / (r n1 + n2), r the ratio.
    The two-sided p-value adds all outcomes not more likely than the one seen; the interval turns
    the Clopper-Pearson limits p of x1 in n into p n2 / ((1 - p) n1). Assumes Poisson counts. With
    no event at all the ratio is nan, the interval 0 to infinity and every p-value 1.

    Args:
        first_count, second_count: events, whole numbers.
        first_exposure, second_exposure: what they were seen in, same unit, above 0.
        ratio: the ratio to test against.
        confidence: of the interval, two-sided.
    Raises: ValueError naming the argument.
    Source: Przyborowski and Wilenski (1940), Biometrika 31:313-323; Clopper and Pearson (1934).
    Example: 11 in 800 against 21 in 3011: ratio 1.971 (0.858 to 4.277), p-value 0.0797.
    """
    from scipy.special import bdtr, bdtrc, betaincinv

    x1, x2 = one_count("first_count", first_count), one_count("second_count", second_count)
    n1 = one_number("first_exposure", first_exposure, above=0)
    n2 = one_number("second_exposure", second_exposure, above=0)
    tested = one_number("ratio", ratio, above=0)
    sure = as_probability("confidence", confidence)
    total = x1 + x2
    if total == 0:
        return RateComparison(math.nan, 0.0, math.inf, 1.0, 1.0, 1.0, sure)
    share = tested * n1 / (tested * n1 + n2)
    tail = (1 - sure) / 2
    low = float(betaincinv(x1, x2 + 1, tail)) if x1 else 0.0
    high = float(betaincinv(x1 + 1, x2, 1 - tail)) if x2 else 1.0
    scale = n2 / n1
    return RateComparison(
        ratio=(x1 / n1) / (x2 / n2) if x2 else math.inf,
        low=low / (1 - low) * scale,
        high=high / (1 - high) * scale if x2 else math.inf,
        p_value=_binomial_two_sided(x1, total, share),
        p_greater=float(bdtrc(x1 - 1, total, share)) if x1 else 1.0,
        p_less=float(bdtr(x1, total, share)),
        confidence=sure,
    )


def _binomial_two_sided(seen: int, total: int, share: float) -> float:
    """Probability of all outcomes that are not more likely than the one seen."""
    from scipy.special import gammaln, xlog1py, xlogy

    k = np.arange(total + 1)
    log_chance = (
        gammaln(total + 1)
        - gammaln(k + 1)
        - gammaln(total - k + 1)
        + xlogy(k, share)
        + xlog1py(total - k, -share)
    )
    counted = log_chance <= log_chance[seen] + _TIE
    return min(1.0, float(np.exp(log_chance[counted]).sum()))


@dataclass(frozen=True)
class RatioPosterior:
    """What is believed of the ratio of a later to an earlier rate; `low` to `high` at
    `confidence`, and `probability_below` the ratio asked about."""

    median: float
    low: float
    high: float
    probability_below: float
    confidence: float


def rate_ratio_posterior(
    before_count: int,
    before_exposure: float,
    after_count: int,
    after_exposure: float,
    below: float = 1.0,
    confidence: float = 0.95,
) -> RatioPosterior:
    """Posterior of the rate after a change over the rate before it.

    Formula: with Jeffreys priors the rates are Gamma(x + 1/2, n); then, for their ratio q,
    q n2 / (n1 + q n2) is Beta(x2 + 1/2, x1 + 1/2). Assumes Poisson counts at one rate each.

    Args:
        before_count, after_count: events, whole numbers.
        before_exposure, after_exposure: same unit, above 0.
        below: the ratio whose chance of not being reached is asked for, above 0.
        confidence: of the equal-tailed interval.
    Raises: ValueError naming the argument.
    Source: Jeffreys prior of a Poisson mean; Price and Bonett (2000), Computational Statistics and
        Data Analysis 34:345-356 (from memory).
    Example: 20 in 10 million before, 2 in 8 million after: median 0.135, below 1 with 0.99986.
    """
    from scipy.special import betainc, betaincinv

    x1 = one_count("before_count", before_count)
    n1 = one_number("before_exposure", before_exposure, above=0)
    x2 = one_count("after_count", after_count)
    n2 = one_number("after_exposure", after_exposure, above=0)
    limit = one_number("below", below, above=0)
    sure = as_probability("confidence", confidence)
    a, b = x2 + 0.5, x1 + 0.5
    # Each share is taken with its complement, or a ratio far above 1 would lose its digits.
    shares = [(1 - sure) / 2, 0.5, (1 + sure) / 2]
    low, median, high = (
        float(betaincinv(a, b, p)) / float(betaincinv(b, a, 1 - p)) * n1 / n2 for p in shares
    )
    chance = float(betainc(a, b, limit * n2 / (n1 + limit * n2)))
    return RatioPosterior(median, low, high, chance, sure)


def exposure_to_confirm(
    before_count: int,
    before_exposure: float,
    after_count: int = 0,
    below: float = 1.0,
    confidence: float = 0.95,
) -> float:
    """Exposure after a change at which no more than `after_count` events show that it helped.

    Formula: the n2 at which `rate_ratio_posterior` gives a chance of `confidence` that the ratio is
    below the limit: n1 z / (below (1 - z)), z the beta quantile at the confidence.

    Args: as `rate_ratio_posterior`; the exposure asked for is in the unit of before_exposure.
    Raises: ValueError naming the argument.
    Source: as `rate_ratio_posterior`, solved for the exposure.
    Example: 20 in 10 million before, none since: 995,000 more show an improvement at 95 %.
    """
    from scipy.special import betaincinv

    b = one_count("before_count", before_count) + 0.5
    n1 = one_number("before_exposure", before_exposure, above=0)
    a = one_count("after_count", after_count) + 0.5
    limit = one_number("below", below, above=0)
    sure = as_probability("confidence", confidence)
    odds = float(betaincinv(a, b, sure)) / float(betaincinv(b, a, 1 - sure))
    return n1 * odds / limit


def e_test(
    first_count: int, first_exposure: float, second_count: int, second_exposure: float
) -> Difference:
    """E test that two Poisson rates are equal; it finds real differences more often than the exact
    conditional test when counts are small.

    Formula: T = (x1/n1 - x2/n2) / sqrt(x1/n1^2 + x2/n2^2); the p-value is the probability of
    |T| at least that seen when both rates equal (x1 + x2) / (n1 + n2). Assumes Poisson counts. With
    no event at all T is 0 and the p-value 1.

    Args and Raises: as `compare_rates`. Time grows with the square root of the product of counts.
    Source: Krishnamoorthy and Thomson (2004), J. Statistical Planning and Inference 119:23-35.
    Example: 0 in 100 against 3 in 100: T = -1.732, p-value 0.0884.
    """
    x1, x2 = one_count("first_count", first_count), one_count("second_count", second_count)
    n1 = one_number("first_exposure", first_exposure, above=0)
    n2 = one_number("second_exposure", second_exposure, above=0)
    if x1 + x2 == 0:
        return Difference(0.0, 1.0)
    pooled = (x1 + x2) / (n1 + n2)
    seen = (x1 / n1 - x2 / n2) / math.sqrt(x1 / n1**2 + x2 / n2**2)
    k1, chance1 = _poisson_support(pooled * n1)
    k2, chance2 = _poisson_support(pooled * n2)
    p_value = 0.0
    for start in range(0, k1.size, 512):
        rows = k1[start : start + 512, None]
        variance = rows / n1**2 + k2 / n2**2
        size = np.zeros(variance.shape)
        np.divide(np.abs(rows / n1 - k2 / n2), np.sqrt(variance), out=size, where=variance > 0)
        extreme = size >= abs(seen) * (1 - 1e-12)
        p_value += float(chance1[start : start + 512] @ (extreme @ chance2))
    return Difference(seen, min(1.0, p_value))


def _poisson_support(mean: float) -> tuple[FloatArray, FloatArray]:
    """Counts that a Poisson variable takes with all but 1e-15 of its probability, and theirs."""
    from scipy.special import gammaln

    spread = 9 * math.sqrt(mean) + 20
    counts = np.arange(max(0, math.floor(mean - spread)), math.ceil(mean + spread) + 1, dtype=float)
    return counts, np.exp(counts * math.log(mean) - mean - gammaln(counts + 1))


def fractions_differ(
    first_defective: int, first_inspected: int, second_defective: int, second_inspected: int
) -> Difference:
    """Large-sample test that two fractions defective are equal.

    Formula: z = (p1 - p2) / sqrt(p (1 - p) (1/n1 + 1/n2)) with p the pooled fraction; two-sided
    normal p-value. Assumes independent items and enough bad ones in each (5 or more is common
    practice, no source). With none or all bad z is 0 and the p-value 1.

    Args: defective and inspected items of each sample, whole numbers, inspected above 0.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 4.4 and
        Example 7.1.
    Example: 301 of 1400 before against 133 of 1200 after a repair: z = 7.10.
    """
    x1 = one_count("first_defective", first_defective)
    x2 = one_count("second_defective", second_defective)
    n1 = one_count("first_inspected", first_inspected, least=1)
    n2 = one_count("second_inspected", second_inspected, least=1)
    require(x1 <= n1, "first_defective must not be more than first_inspected")
    require(x2 <= n2, "second_defective must not be more than second_inspected")
    pooled = (x1 + x2) / (n1 + n2)
    if pooled in (0.0, 1.0):
        return Difference(0.0, 1.0)
    z = (x1 / n1 - x2 / n2) / math.sqrt(pooled * (1 - pooled) * (1 / n1 + 1 / n2))
    return Difference(z, math.erfc(abs(z) / math.sqrt(2)))
