"""Charts for counted data against printed figures (A01 to A07)."""

import numpy as np
import pytest

from tests.published.figures import Check
from tracelog.stats.attributes import c_chart, laney_p_chart, np_chart, p_chart, u_chart
from tracelog.stats.compare import fractions_differ
from tracelog.stats.overdispersion import binomial_overdispersion


def test_a01_p_chart_of_orange_juice_cans() -> None:
    """Montgomery, 6th ed., Example 7.1: centre 0.2313, limits 0.4102 and 0.0524 (each to 5e-5),
    samples 15 and 23 out; then 0.2150, 0.3893, 0.0407; z of the change 7.10 (to 0.01)."""
    check = Check("A01")
    bad, size = check.column("nonconforming"), check.column("n")
    trial = np.arange(bad.size) < 30
    first = p_chart(bad, size, baseline=trial)
    check.meets("trial samples 1-30: centre", first.centre)
    check.meets("trial samples 1-30: UCL", first.upper[0])
    check.meets("trial samples 1-30: LCL", first.lower[0])
    above = first.outside[(first.outside < 30)]
    assert (first.statistic[above] > first.upper[above]).all()
    check.meets_points("points above UCL", above)

    kept = trial.copy()
    kept[above] = False
    second = p_chart(bad, size, baseline=kept)
    check.meets("without 15 and 23: centre", second.centre)
    check.meets("without 15 and 23: UCL", second.upper[0])
    check.meets("without 15 and 23: LCL", second.lower[0])
    later = p_chart(bad[30:], size[30:])
    check.meets("later samples 31-54: mean fraction", later.centre)
    change = fractions_differ(bad[kept].sum(), size[kept].sum(), bad[30:].sum(), size[30:].sum())
    check.meets("z of the difference, pooled (28 samples before, 24 after)", change.statistic)
    check.all_met()


def test_a02_np_chart_of_orange_juice_cans() -> None:
    """Montgomery, 6th ed., sec. 7.2.1: centre 11.565 (to 0.005), limits 20.51 and 2.62 (to 0.02);
    the book works from the rounded fraction."""
    check = Check("A02")
    chart = np_chart(check.column("nonconforming")[:30], 50)
    check.meets("samples 1-30, n = 50: centre", chart.centre)
    check.meets("UCL", chart.upper[0])
    check.meets("LCL", chart.lower[0])
    check.all_met()


def test_a03_c_chart_of_wafers() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.1: 400 defects, centre 16, limits 28 and 4 (to 0.001), wafer
    24 out; wafer 3 lies exactly on the limit and is not beyond it."""
    check = Check("A03")
    defects = check.column("defects")
    chart = c_chart(defects)
    check.meets("total", defects.sum())
    check.meets("centre", chart.centre)
    check.meets("UCL", chart.upper[0])
    check.meets("LCL", chart.lower[0])
    check.meets_points("points above UCL", chart.outside)
    assert defects[2] == chart.upper[2]
    check.all_met()


def test_a04_u_chart_of_dyed_cloth() -> None:
    """Montgomery, 6th ed., Example 7.5: centre 1.42 (to 0.005); upper limits 2.55, 2.68, 2.41 and
    lower 0.29, 0.16, 0.43 at 10, 8 and 13 units (to 0.011); no point out."""
    check = Check("A04")
    counts, units = check.column("nonconformities"), check.column("units")
    chart = u_chart(counts, units)
    check.meets("sum of counts", counts.sum())
    check.meets("sum of units", units.sum())
    check.meets("centre", chart.centre)
    for size in (10, 8, 13):
        point = int(np.flatnonzero(units == size)[0])
        check.meets(f"UCL at {size} units", chart.upper[point])
        check.meets(f"LCL at {size} units", chart.lower[point])
    check.meets_points("points outside", chart.outside)
    check.all_met()


def test_a05_u_chart_of_tyres() -> None:
    """ISO 8258:1991, clause 13: 55 faults, centre 0.26 and upper limit 0.66 (to 0.005), no lower
    limit."""
    check = Check("A05")
    counts = check.column("nonconformities")
    chart = u_chart(counts, check.column("tyres"))
    check.meets("total", counts.sum())
    check.meets("centre", chart.centre)
    check.meets("UCL", chart.upper[0])
    check.meets("LCL (negative, so none)", chart.lower[0])
    check.all_met()


def test_a06_laney_p_chart_of_emergency_attendances() -> None:
    """Laney (2002), Quality Engineering 14(4) 531-537, on data of Mohammed et al. (2013): centre
    0.9529 (to 1e-6), sigma_z 10.6368 (to 0.01), limits 0.94013 and 0.96567 (to 2e-5); 16 weeks out
    of the p limits, none out of the p' limits."""
    check = Check("A06")
    good, seen = check.column("seen_within_4h"), check.column("attendances")
    plain, laney = p_chart(good, seen), laney_p_chart(good, seen)
    check.meets("centre", plain.centre)
    check.meets("ordinary p limits, week 1: LCL", plain.lower[0])
    check.meets("ordinary p limits, week 1: UCL", plain.upper[0])
    check.meets("weeks outside the ordinary limits", plain.outside.size)
    assert laney.sigma_z is not None
    check.meets("sigma_z = mean moving range of z / d2(2)", laney.sigma_z)
    check.meets("p' limits, week 1: LCL", laney.lower[0])
    check.meets("p' limits, week 1: UCL", laney.upper[0])
    check.meets("weeks outside p' limits", laney.outside.size)
    check.all_met()


def test_a07_overdispersion_of_binomial_samples() -> None:
    """Wetherill and Brown (1991), pp. 212-218: variance ratio 0.7645 (to 1e-4), D 22.169 (to
    0.002), upper p-value 0.8131 (to 1e-4)."""
    check = Check("A07")
    result = binomial_overdispersion(check.column("count"), check.column("n"))
    check.meets("variance ratio", result.ratio)
    check.meets("D", result.statistic)
    check.meets("upper p-value", result.p_value)
    check.all_met()


def test_a_figure_that_is_off_is_noticed() -> None:
    check = Check("A03")
    with pytest.raises(AssertionError, match="is not 16"):
        check.meets("centre", 16.1)
    with pytest.raises(AssertionError, match="not compared"):
        check.all_met()
