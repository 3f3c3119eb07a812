"""Charts for measurements and rare events, and run rules, against printed figures (A08 to A14)."""

import numpy as np
import pytest

from tests.published.figures import Check
from tracelog.stats.constants import factors
from tracelog.stats.rare import (
    conforming_count_limits,
    g_chart,
    power_transform,
    transformed_gaps_chart,
)
from tracelog.stats.run_length import WESTERN_ELECTRIC, run_rules_arl
from tracelog.stats.run_rules import RuleHits, nelson, western_electric
from tracelog.stats.variables import individuals_chart, xbar_r_chart, xbar_s_chart


def test_a08_power_transformed_times_between_events() -> None:
    """Montgomery, 6th ed., Example 7.6: all 20 transformed values (to 2e-5), mean 5.387 and mean
    moving range 2.3592 (to 0.001), limits 11.66 and -0.89, moving range 7.71 (to 0.02)."""
    check = Check("A08")
    hours = check.column("hours_between")
    chart = transformed_gaps_chart(hours)
    published = check.column("transformed_published")
    check.meets(
        "largest difference from the published transformed column",
        np.abs(power_transform(hours) - published).max(),
    )
    check.meets("mean of transformed", chart.level.centre)
    check.meets("mean moving range", chart.spread.centre)
    check.meets("UCL (2.66)", chart.level.upper[0])
    check.meets("LCL (2.66)", chart.level.lower[0])
    check.meets("moving-range UCL (3.267)", chart.spread.upper[1])
    check.all_met()


def test_a09_g_chart_and_count_of_conforming_units() -> None:
    """Kaminsky et al. (1992), p = 0.01: mean 99, limit 397.5 (to 0.01); Goh (1987): median 68.97
    (to 0.01), limits 657.5 (to 0.1) and 0.1344 (to 0.001)."""
    check = Check("A09")
    chart, limits = g_chart([80, 120], fraction=0.01), conforming_count_limits(0.01)
    check.meets("p = 0.01: conforming units between events, mean", chart.centre)
    check.meets("3-sigma UCL on that scale", chart.upper[0])
    check.meets("3-sigma LCL (clipped)", chart.lower[0])
    check.meets("units up to and including the event: median line ln(0.5)/ln(1-p)", limits.median)
    check.meets("upper limit ln(0.00135)/ln(1-p)", limits.upper)
    check.meets("lower limit ln(0.99865)/ln(1-p)", limits.lower)
    check.all_met()


def test_a10_individuals_and_moving_range() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778 (to 5e-5), limits
    55.8041 and 45.8159 (to 1e-4), which the handbook works out with d2 rounded to 1.128."""
    check = Check("A10")
    chart = individuals_chart(check.column("value"))
    check.meets("mean", chart.level.centre)
    check.meets("mean moving range", chart.spread.centre)
    rounded = 1.128 / factors(2).d2
    reach = chart.level.upper[0] - chart.level.centre
    assert reach == pytest.approx(3 * chart.spread.centre / factors(2).d2)
    check.meets("UCL = mean + 3 MR/1.128", chart.level.centre + reach / rounded)
    check.meets("LCL", chart.level.centre - reach / rounded)
    check.all_met()


def test_a11_means_with_ranges_and_with_standard_deviations() -> None:
    """Montgomery, 5th/6th ed., piston rings: grand mean 74.001, mean range 0.023 (to 0.0005), mean
    s 0.00924, limits 74.014 and 73.988, R limit 0.0481, s limit 0.0193, sigma 0.0098."""
    check = Check("A11")
    rings = check.column("diameter_mm").reshape(25, 5)
    by_range, by_deviation = xbar_r_chart(rings), xbar_s_chart(rings)
    check.meets("grand mean", by_range.level.centre)
    check.meets("mean range", by_range.spread.centre)
    check.meets("mean s", by_deviation.spread.centre)
    check.meets("X-bar limits from R: UCL", by_range.level.upper[0])
    check.meets("X-bar limits from R: LCL", by_range.level.lower[0])
    check.meets("R UCL", by_range.spread.upper[0])
    check.meets("X-bar limits from s: UCL", by_deviation.level.upper[0])
    check.meets("X-bar limits from s: LCL", by_deviation.level.lower[0])
    check.meets("s UCL", by_deviation.spread.upper[0])
    check.meets("sigma-hat = s-bar/c4", by_deviation.sigma)
    check.all_met()


def test_a12_control_chart_constants() -> None:
    """ASTM Manual 7 (MNL7): all nine factors for 2 to 10 values agree to 0.0016; the table builds
    some from rounded d2 and d3."""
    check = Check("A12")
    largest = 0.0
    for row in check.rows():
        own = factors(int(row["n"]))
        values = (own.d2, own.d3, own.c4, own.a2, own.a3, own.b3, own.b4, own.d3_lower)
        names = ("d2", "d3", "c4", "A2", "A3", "B3", "B4", "D3")
        for name, value in zip((*names, "D4"), (*values, own.d4_upper), strict=True):
            largest = max(largest, abs(value - float(row[name])))
    check.meets("largest absolute difference of your exact values from the table", largest)
    check.all_met()


WE, NELSON = western_electric, nelson
RULE_OF_CASE = {
    1: ((WE, 1), (NELSON, 1)),
    2: ((WE, 2), (NELSON, 5)),
    3: ((WE, 3), (NELSON, 6)),
    4: ((WE, 4),),
    5: ((NELSON, 2),),
    6: ((NELSON, 3),),
    7: ((NELSON, 4),),
    8: ((NELSON, 7),),
    9: ((NELSON, 8),),
}


def test_a13_run_rules_flag_the_point_that_completes_the_pattern() -> None:
    """Western Electric (1956) and Nelson (1984): the points flagged in nine series built from the
    definitions, exactly."""
    check = Check("A13")
    rows = check.rows()
    for quantity in check.quantities():
        case = int(quantity.split(",")[0].removeprefix("case "))
        z = [float(row["z"]) for row in rows if int(row["case"]) == case]
        found: list[RuleHits] = [apply(z)[rule - 1] for apply, rule in RULE_OF_CASE[case]]
        assert all((hits.points == found[0].points).all() for hits in found)
        check.meets_points(quantity, found[0].points)
    check.all_met()


def test_a14_run_length_with_western_electric_rules() -> None:
    """Champ and Woodall (1987), Technometrics 29(4), Table 1: 370.4, 225.44, 152.73 and 91.75 (each
    to 0.01)."""
    check = Check("A14")
    one, two, _, four = WESTERN_ELECTRIC
    check.meets("rules 1", run_rules_arl([one]))
    check.meets("rules 1+2", run_rules_arl([one, two]))
    check.meets("rules 1+4", run_rules_arl([one, four]))
    check.meets("rules 1+2+3+4", run_rules_arl(WESTERN_ELECTRIC))
    check.all_met()
