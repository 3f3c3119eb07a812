"""Comparing rates and many p-values against printed figures (A24 to A26)."""

from tests.published.figures import Check
from tracelog.stats.compare import compare_rates, e_test
from tracelog.stats.multiplicity import benjamini_hochberg, bonferroni


def test_a24_exact_comparison_of_two_rates() -> None:
    """R help page poisson.test, second example: 11 in 800 against 21 in 3011 has ratio 1.971488
    (to 1e-6), p-value 0.07967 (to 5e-6), interval 0.8584264 to 4.2772659 (to 1e-6, 2e-6)."""
    check = Check("A24")
    result = compare_rates(11, 800, 21, 3011)
    check.meets("11 in 800 against 21 in 3011: rate ratio", result.ratio)
    check.meets("two-sided p (minimum likelihood)", result.p_value)
    check.meets("95% interval of the ratio: lower", result.low)
    check.meets("upper", result.high)
    check.all_met()


def test_a25_e_test() -> None:
    """Krishnamoorthy and Thomson (2004): 0 in 100 against 3 in 100 has p-value 0.088379009 (to
    1e-8) and statistic -1.7320508 (to 1e-7); the conditional test has 0.25 (to 1e-9)."""
    check = Check("A25")
    result = e_test(0, 100, 3, 100)
    check.meets("0 in 100 against 3 in 100: E-test p", result.p_value)
    check.meets("statistic", result.statistic)
    check.meets("conditional two-sided p", compare_rates(0, 100, 3, 100).p_value)
    check.all_met()


def test_a26_benjamini_hochberg() -> None:
    """Benjamini and Hochberg (1995), sec. 3: 4 rejected at 0.05 (Bonferroni 3); adjusted p of rank
    4 0.035625 (to 1e-6), rank 5 0.0603, rank 8 0.0645 (to 1e-5)."""
    check = Check("A26")
    p_values = check.column("p")
    adjusted = benjamini_hochberg(p_values)
    check.meets("rejected at 0.05, Benjamini-Hochberg", int((adjusted <= 0.05).sum()))
    check.meets("rejected at 0.05, Bonferroni", int((bonferroni(p_values) <= 0.05).sum()))
    for rank in (4, 5, 8):
        check.meets(f"adjusted p, rank {rank}", adjusted[rank - 1])
    check.all_met()
