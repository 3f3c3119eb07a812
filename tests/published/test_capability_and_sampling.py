"""Capability, gauge study and sampling plans against printed figures (A20, A21, A36 to A39)."""

from tests.published.figures import Check
from tracelog.stats.capability import capability, cp_interval, cpk_interval
from tracelog.stats.gauge import gauge_study
from tracelog.stats.sampling import (
    acceptance_binomial,
    acceptance_poisson,
    average_outgoing_quality,
    average_total_inspection,
    code_letter,
    normal_inspection_plan,
    outgoing_quality_limit,
    quality_at_acceptance,
)


def test_a20_capability_indices() -> None:
    """NIST/SEMATECH e-Handbook 6.1.6: Cp 1.0, Cpu 0.6667, Cpl 1.3333, Cpk 0.6667 (to 5e-5)."""
    check = Check("A20")
    result = capability(mean=16, sigma=2, lower=8, upper=20)
    check.meets("USL 20, LSL 8, mean 16, s 2: Cp", result.cp)
    check.meets("Cpu", result.cp_upper)
    check.meets("Cpl", result.cp_lower)
    check.meets("Cpk", result.cpk)
    check.all_met()


def test_a21_capability_intervals() -> None:
    """Montgomery, 6th ed., Examples 8.4 and 8.5: Cp 2.29 (1.57 to 3.01, to 0.006), Cpk 1.33 (0.88
    to 1.78, to 0.005)."""
    check = Check("A21")
    cp = capability(mean=50, sigma=1.75, lower=38, upper=62).cp
    check.meets("USL 62, LSL 38, s 1.75, n = 20: Cp", cp)
    of_cp, of_cpk = cp_interval(cp, 20), cpk_interval(1.33, 20)
    check.meets("chi-square interval: lower", of_cp.low)
    check.meets("chi-square interval: upper", of_cp.high)
    check.meets("Cpk 1.33, n = 20, normal approximation: lower", of_cpk.low)
    check.meets("Cpk 1.33, n = 20, normal approximation: upper", of_cpk.high)
    check.all_met()


def test_a36_gauge_study() -> None:
    """Montgomery, 6th ed., Example 8.7: sums of squares 3935.96, 39.27, 48.51, 30.67, 4054.40 and
    variances 48.29, 0.56, 0.73, 0.51 (to 0.005); gauge variance 1.804, share 18.97 %."""
    check = Check("A36")
    rows = check.rows()
    values = [
        [
            [float(r["value"]) for r in rows if (r["part"], r["operator"]) == (part, operator)]
            for operator in ("1", "2", "3")
        ]
        for part in map(str, range(1, 11))
    ]
    result = gauge_study(values)
    check.meets("SS parts", result.ss_parts)
    check.meets("SS operators", result.ss_operators)
    check.meets("SS interaction", result.ss_interaction)
    check.meets("SS error", result.ss_error)
    check.meets("SS total", result.ss_total)
    check.meets("variance parts", result.variance_parts)
    check.meets("variance operators", result.variance_operators)
    check.meets("variance interaction", result.variance_interaction)
    check.meets("variance repeatability", result.variance_repeatability)
    check.meets("gauge variance", result.variance_gauge)
    check.meets("gauge sigma", result.gauge_sigma)
    check.meets("gauge % of total study variation", 100 * result.gauge_share)
    check.all_met()


def test_a37_operating_characteristic_and_outgoing_quality() -> None:
    """Montgomery, 6th ed., sec. 15.2, n 89, c 2: 0.9397 at 1 % and nine more (to 1e-4); lot 10,000:
    outgoing quality 0.0093, 687 inspected, limit 0.01525, or 0.01538 for a very large lot."""
    check = Check("A37")
    for fraction in (0.005, 0.01, 0.02, 0.03, 0.04, 0.05, 0.06, 0.07, 0.08, 0.09):
        check.meets(f"Pa at p = {fraction}", float(acceptance_binomial(89, 2, fraction)))
    quality = average_outgoing_quality(89, 2, 0.01, lot=10_000)
    check.meets("N = 10000: AOQ at p = 0.01", float(quality))
    inspected = average_total_inspection(89, 2, 0.01, lot=10_000)
    check.meets("average total inspection at p = 0.01", float(inspected))
    limit = outgoing_quality_limit(89, 2, lot=10_000)
    check.meets("AOQ limit, exact maximum with N = 10000", limit)
    check.meets("AOQ limit, N very large", outgoing_quality_limit(89, 2))
    check.all_met()


def test_a38_operating_characteristic_of_another_plan() -> None:
    """NIST/SEMATECH e-Handbook 6.2.3.2, n 52, c 3: twelve chances such as 0.998 at 1 % and 0.223 at
    10 % (to 0.0015)."""
    check = Check("A38")
    for percent in range(1, 13):
        chance = float(acceptance_binomial(52, 3, percent / 100))
        check.meets(f"Pa at p = {percent / 100:g}", chance)
    check.all_met()


def test_a39_entries_of_the_sampling_standard() -> None:
    """ISO 2859-1:1999, Tables 1, 2-A and 10-L: lot 1201 to 3200 has letter K; L at 0.65 is 200, 3,
    4; Pa 0.9569 (to 1e-4), 0.683 % at 0.95 (to 0.002), 3.34 % at 0.10 (to 0.006)."""
    check = Check("A39")
    assert code_letter(1201) == code_letter(3200)
    check.meets("lot 1201-3200, general level II: code letter", code_letter(1201))
    plan = normal_inspection_plan("L", 0.65)
    check.meets("code letter L, normal, AQL 0.65: n, Ac, Re", [plan.size, plan.accept, plan.reject])
    check.meets("L: Pa at 0.65% (Poisson)", float(acceptance_poisson(200, 3, 0.0065)))
    good, poor = (100 * quality_at_acceptance(200, 3, chance) for chance in (0.95, 0.10))
    check.meets("L: percent at Pa = 0.95 (Poisson)", good)
    check.meets("L: percent at Pa = 0.10 (Poisson)", poor)
    check.all_met()
