"""Measured values and gauge studies as tables for files."""

from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.trends.measured.answers import MeasureAnswer
from tracelog.trends.measured.gauge_rules import GaugeResult
from tracelog.web.sheets import Sheet

POINT_COLUMNS = (
    *("point", "at", "machine", "values", "value", "lower", "centre", "upper", "fall", "spread"),
    *("spread_lower", "spread_centre", "spread_upper", "outside", "spread_outside", "rules"),
    *("baseline", "chart", "unit"),
)
CAPABILITY_COLUMNS = ("figure", "value", "low", "high", "unit")
GAUGE_COLUMNS = (
    *("component", "variance", "share_of_variance", "sigma", "study_variation"),
    *("percent_of_study", "percent_of_tolerance", "unit"),
)


def points_sheet(answer: MeasureAnswer, zone: ZoneInfo) -> Sheet:
    """The points of a chart with their limits."""
    rows = tuple(
        (
            *(point.number, point.at, point.machine, point.size, point.value, point.lower),
            *(point.centre, point.upper, point.fall, point.spread, point.spread_lower),
            *(point.spread_centre, point.spread_upper, point.is_outside, point.is_spread_outside),
            *("; ".join(point.rules), point.is_baseline, str(answer.kind), answer.unit),
        )
        for point in answer.points
    )
    return Sheet(_("measurements"), POINT_COLUMNS, rows, zone)


def capability_sheet(answer: MeasureAnswer, zone: ZoneInfo) -> Sheet:
    """Values against their specification, one figure a row."""
    view, unit = answer.capability, answer.unit
    if view is None:
        return Sheet(_("capability"), CAPABILITY_COLUMNS, (), zone)
    scale = _("logarithm") if view.is_log else unit
    rows = (
        ("values", view.values, None, None, None),
        ("lower limit", view.limits.lower, None, None, unit),
        ("target", view.limits.target, None, None, unit),
        ("upper limit", view.limits.upper, None, None, unit),
        ("mean", view.mean, None, None, scale),
        ("sigma within points", view.sigma_within, None, None, scale),
        ("sigma of all values", view.sigma_overall, None, None, scale),
        *((one.name, one.value, one.low, one.high, None) for one in view.indices),
        (
            *("fraction outside", view.outside / view.values),
            *(view.outside_low, view.outside_high, None),
        ),
        ("fraction expected below", view.expected_below, None, None, None),
        ("fraction expected above", view.expected_above, None, None, None),
        ("p of normality", view.normal_p, None, None, None),
        ("why no index", view.why_not or None, None, None, None),
    )
    return Sheet(_("capability"), CAPABILITY_COLUMNS, rows, zone)


def gauge_sheet(result: GaugeResult, zone: ZoneInfo) -> Sheet:
    """The components of a gauge study."""
    rows = tuple(
        (
            *(part.name, part.variance, part.variance_share, part.sigma, part.study_variation),
            *(part.percent_of_study, part.percent_of_tolerance, result.unit),
        )
        for part in result.components
    )
    return Sheet(_("gauge study"), GAUGE_COLUMNS, rows, zone)
