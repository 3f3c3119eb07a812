"""Exact intervals and the gamma-Poisson model against printed figures (A22, A23, A27, A28, A40)."""

import numpy as np

from tests.published.figures import Check
from tracelog.stats.intervals import (
    binomial_bounds,
    binomial_interval,
    poisson_bounds,
    poisson_interval,
    rule_of_three,
)
from tracelog.stats.shrinkage import gamma_poisson, robbins_estimate


def test_a22_exact_poisson_interval() -> None:
    """Garwood (1936), Biometrika 28:437-442: count 10 has 4.795 to 18.390, count 0 has 0 to 3.689
    at 95 % (each to 0.0006)."""
    check = Check("A22")
    counts = [0, 1, 2, 5, 10, 20]
    interval = poisson_interval(np.array(counts))
    for place, count in enumerate(counts):
        check.meets(f"count {count}: lower", interval.low[place])
        check.meets(f"count {count}: upper", interval.high[place])
    check.all_met()


def test_a23_exact_binomial_interval() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20 at 90 % is 0.071354 to 0.401029 (to 1e-6 and
    1.5e-6); Clopper and Pearson (1934): 0 of 10 at 95 % up to 0.3085 (to 5e-5)."""
    check = Check("A23")
    interval = binomial_interval(4, 20, 0.90)
    check.meets("4 of 20, 90% two-sided: lower", interval.low)
    check.meets("4 of 20, 90% two-sided: upper", interval.high)
    check.meets("0 of 10, 95%: upper", binomial_interval(0, 10).high)
    check.all_met()


def test_a27_gamma_poisson_with_equal_exposure() -> None:
    """Efron and Hastie (2016), Table 6.1: shape 0.702, scale 0.306 (to 0.001), mean claims given
    none 0.164 (to 0.005); Robbins 0.168 and 0.363 (to 0.0005)."""
    check = Check("A27")
    policies = check.column("policies")
    claims = np.repeat(np.arange(policies.size), policies.astype(int))
    model = gamma_poisson(claims, np.ones(claims.size))
    check.meets("policies", int(policies.sum()))
    check.meets("gamma shape (maximum marginal likelihood)", model.shape)
    check.meets("gamma scale", 1 / model.rate)
    for count in range(7):
        given = model.rates[np.flatnonzero(claims == count)[0]]
        check.meets(f"posterior mean given {count} claims", given)
    robbins = robbins_estimate(policies)
    check.meets("Robbins estimate given 0", robbins[0])
    check.meets("Robbins estimate given 1", robbins[1])
    check.all_met()


def test_a28_gamma_poisson_with_unequal_exposure() -> None:
    """Data of Gaver and O'Muircheartaigh (1987): shape 0.8223 (to 0.001), rate 1.259 (to 0.002),
    log likelihood -32.263 (to 0.002), pump 1 0.0609 (to 0.0003)."""
    check = Check("A28")
    failures, hours = check.column("failures"), check.column("thousand_hours")
    model = gamma_poisson(failures, hours)
    check.meets("shape", model.shape)
    check.meets("rate", model.rate)
    check.meets("maximum log marginal likelihood", model.log_likelihood)
    for pump in (1, 2, 5, 10):
        check.meets(f"posterior mean rate, pump {pump}", model.rates[pump - 1])
    fixed = gamma_poisson(failures, hours, prior=(1.802, 1.0))
    check.meets("with fixed shape 1.802 and rate 1: pump 1", fixed.rates[0])
    check.all_met()


def test_a40_bounds_where_nothing_was_found() -> None:
    """Hanley and Lippman-Hand (1983), JAMA 249:1743-1745: 0 of 14 up to 0.193, 3/14 = 0.214 (to
    0.0005); 0 of 100 up to 0.0295; no event up to 2.9957 (to 5e-5)."""
    check = Check("A40")
    check.meets(
        "0 of 14: exact one-sided 95% upper bound 1 - 0.05^(1/14)", binomial_bounds(0, 14).high
    )
    check.meets("3/14", rule_of_three(14))
    check.meets("0 of 100: exact", binomial_bounds(0, 100).high)
    check.meets("Poisson, 0 events: 95% upper mean -ln 0.05", poisson_bounds(0).high)
    check.all_met()
