"""The figures of the page as tables for files: every column that the page shows, and more."""

from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.trends.answers import ChartAnswer, ParetoAnswer, Rates
from tracelog.web.sheets import Sheet

RATE_COLUMNS = (
    *("name", "machine", "line", "defect", "from", "to", "evidence", "cans", "occurrences"),
    *("entries", "exposure", "per_million", "low", "high", "shrunk", "probability_worst", "note"),
    *("tool", "tool_type", "coil", "crew", "shift", "hour", "station"),
)
CHART_COLUMNS = (
    *("point", "from", "to", "count", "exposure", "value", "lower", "upper", "centre", "outside"),
    *("baseline", "chart", "unit", "rules", "entry"),
)
EVENT_COLUMNS = ("at", "kind", "what", "more", "machine", "line")
PARETO_COLUMNS = ("rank", "defect", "occurrences", "cans", "entries", "share", "cumulative_share")


def sheet_of(answer: Rates | ChartAnswer | ParetoAnswer, zone: ZoneInfo) -> Sheet:
    """The table of one figure, instants on the plant's clock."""
    if isinstance(answer, Rates):
        return rates_sheet(answer, zone)
    if isinstance(answer, ChartAnswer):
        return chart_sheet(answer, zone)
    return pareto_sheet(answer, zone)


def rates_sheet(rates: Rates, zone: ZoneInfo) -> Sheet:
    """Rates, one row each, and all together in the last."""
    rows = tuple(
        (
            *(row.name, row.machine, row.line, row.defect, row.start, row.end),
            *(str(rates.question.evidence), row.cans, row.occurrences, row.entries, row.exposure),
            *(row.per_million, row.low, row.high, row.shrunk, row.probability_worst, row.note),
            *(row.tool, row.tool_type, row.coil, row.crew, row.shift, row.hour, row.station),
        )
        for row in (*rates.rows, rates.together)
    )
    return Sheet(_("rates"), RATE_COLUMNS, rows, zone)


def chart_sheet(chart: ChartAnswer, zone: ZoneInfo) -> Sheet:
    """The points of a control chart with their limits."""
    rows = tuple(
        (
            *(point.number, point.start, point.end, point.count, point.exposure, point.value),
            *(point.lower, point.upper, chart.centre, point.is_outside, point.is_baseline),
            *(str(chart.kind), chart.unit, "; ".join(point.rules) or None),
            None if point.entry is None else str(point.entry),
        )
        for point in chart.points
    )
    return Sheet(_("chart"), CHART_COLUMNS, rows, zone)


def events_sheet(chart: ChartAnswer, zone: ZoneInfo) -> Sheet:
    """What happened in the period of a control chart."""
    rows = tuple(
        (one.at, str(one.kind), one.what, one.more or None, one.machine, one.line)
        for one in chart.events
    )
    return Sheet(_("events"), EVENT_COLUMNS, rows, zone)


def pareto_sheet(pareto: ParetoAnswer, zone: ZoneInfo) -> Sheet:
    """Kinds of defect in order."""
    rows = tuple(
        (rank, bar.defect, bar.occurrences, bar.cans, bar.entries, bar.share, bar.cumulative)
        for rank, bar in enumerate(pareto.bars, start=1)
    )
    return Sheet(_("pareto"), PARETO_COLUMNS, rows, zone)
