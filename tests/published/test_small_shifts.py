"""EWMA and CUSUM charts and their run lengths against printed figures (A15 to A19)."""

import numpy as np

from tests.published.figures import Check
from tracelog.stats.count_cusum import poisson_cusum_arl
from tracelog.stats.cusum import cusum_arl, cusum_arl_two_sided, siegmund_arl, tabular_cusum
from tracelog.stats.ewma import ewma_arl, ewma_chart


def test_a15_ewma_chart() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: limits 52.5884 (to 5e-5) and 47.4115 (to 1e-4), each
    average as printed (to 0.0051), none out."""
    check = Check("A15")
    chart = ewma_chart(check.column("value"), 50, 2.0539, weight=0.3, steady_limits=True)
    check.meets("UCL", chart.upper[0])
    check.meets("LCL", chart.lower[0])
    difference = np.abs(chart.statistic - check.column("ewma_published")).max()
    check.meets("largest difference from the published column", difference)
    check.meets_points("points outside", chart.outside)
    check.all_met()


def test_a16_tabular_cusum() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: upper sums 3.01, 4.94, 19.06 at 13, 14 and 20, lower 0.71
    at 8, first signal at 14."""
    check = Check("A16")
    result = tabular_cusum(check.column("mean"), target=325, k=0.3175, h=4.1959)
    for point in (13, 14, 20):
        check.meets(f"S_hi at {point}", result.high[point - 1])
    check.meets("S_lo at 8", result.low[7])
    check.meets("largest S_lo", result.low.max())
    check.meets("first signal (S_hi)", int(result.outside_high[0]) + 1)
    assert result.outside_low.size == 0
    check.all_met()


def test_a17_run_length_of_the_cusum() -> None:
    """Montgomery, 6th ed., Table 9.3 (Lucas and Crosier 1982): two-sided, k 0.5, h 4 and 5, for
    example 465 in control and 10.4 at one sigma with h 5 (to half a printed digit); one-sided
    930.9 (to 0.3); Siegmund 938.2 (to 0.2)."""
    check = Check("A17")
    for row in check.rows():
        h, shift = row["h"], row["shift_sigma"]
        value = cusum_arl_two_sided(0.5, float(h), float(shift))
        check.meets(f"h = {h}, shift {shift}", value)
    check.meets("one-sided in-control, h = 5", cusum_arl(0.5, 5))
    check.meets("Siegmund's approximation, one-sided, h = 5, no shift", siegmund_arl(0.5, 5))
    check.all_met()


def test_a18_run_length_of_the_ewma() -> None:
    """Lucas and Saccucci (1990), Technometrics 32(1): 500 in control for three pairs of weight and
    limit (to 0.6), and 27 values under shifts, such as 10.3 at one sigma (to 0.11)."""
    check = Check("A18")
    for row in check.rows():
        weight, limit, shift = row["lambda"], row["L"], row["shift_sigma"]
        value = ewma_arl(float(weight), float(limit), float(shift))
        check.meets(f"lambda = {weight}, L = {limit}, shift {shift}", value)
    check.all_met()


def test_a19_run_length_of_the_poisson_cusum() -> None:
    """Lucas (1985), Technometrics 27(2), k 2, h 6, mean 1.88: 37.2, with head start 29.19, with the
    strict rule 50.45 (each to 0.005)."""
    check = Check("A19")
    check.meets("k = 2, h = 6, mean 1.88, zero start", poisson_cusum_arl(1.88, 2, 6))
    check.meets("same, head start 3", poisson_cusum_arl(1.88, 2, 6, head_start=3))
    strict = poisson_cusum_arl(1.88, 2, 6, strict=True)
    check.meets("signal when S > h instead: zero start", strict)
    check.all_met()
