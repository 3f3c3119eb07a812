"""Funnel, heat map and years as tables for files: every column the pages show, and more."""

from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.trends.pictures.funnel import FunnelAnswer, FunnelRow
from tracelog.trends.pictures.heat import HeatAnswer
from tracelog.trends.pictures.years import Pair, Tallied, YearsAnswer
from tracelog.web.sheets import Cell, Sheet

FUNNEL_COLUMNS = (
    *("rank", "name", "machine", "line", "from", "to", "occurrences", "cans", "strokes"),
    *("per_million", "low", "high", "shrunk", "probability_worst", "place", "inner_low"),
    *("inner_high", "outer_low", "outer_high", "note"),
)
HEAT_COLUMNS = (
    *("machine", "line", "from", "to", "defect", "occurrences", "strokes", "per_million"),
    *("expected", "step", "p_value", "silent_log"),
)
YEAR_COLUMNS = (
    *("year", "period", "so_far", "occurrences", "strokes", "per_million", "low", "high"),
    *("occurrences_before", "strokes_before", "per_million_before", "low_before", "high_before"),
    *("ratio", "ratio_low", "ratio_high", "probability_rose", "p_value", "adjusted_p", "change"),
)


def funnel_sheet(answer: FunnelAnswer, zone: ZoneInfo) -> Sheet:
    """The rows of a funnel, the highest shrunk rate first."""
    rows = tuple(_funnel_row(rank, row) for rank, row in enumerate(answer.rows, start=1))
    return Sheet(_("funnel"), FUNNEL_COLUMNS, rows, zone)


def _funnel_row(rank: int, row: FunnelRow) -> tuple[Cell, ...]:
    rate, (inner, outer) = row.rate, (row.inner or (None, None), row.outer or (None, None))
    return (
        *(rank, rate.name, rate.machine, rate.line, rate.start, rate.end, rate.occurrences),
        *(rate.cans, rate.exposure, rate.per_million, rate.low, rate.high, row.shrunk),
        *(row.probability_worst, str(row.place), *inner, *outer, rate.note),
    )


def heat_sheet(answer: HeatAnswer, zone: ZoneInfo) -> Sheet:
    """The cells of a heat map, one row each, machine by machine."""
    only = answer.question.rates.defects
    rows = tuple(
        (
            *(row.machine.text, row.machine.line, column.start, column.end),
            *(column.defect or ", ".join(only) or None, cell.count, cell.strokes),
            *(cell.per_million, cell.expected, cell.step, cell.p_value, cell.silent),
        )
        for row in answer.rows
        for column, cell in zip(answer.columns, row.cells, strict=True)
    )
    return Sheet(_("heat map"), HEAT_COLUMNS, rows, zone)


def years_sheet(answer: YearsAnswer, zone: ZoneInfo) -> Sheet:
    """Both years, one row for each month or week, and the year to date in the last."""
    rows = tuple(_year_row(answer, pair) for pair in (*answer.pairs, answer.to_date))
    return Sheet(_("years"), YEAR_COLUMNS, rows, zone)


def _year_row(answer: YearsAnswer, pair: Pair) -> tuple[Cell, ...]:
    def told(one: Tallied | None) -> tuple[Cell, ...]:
        if one is None:
            return (None,) * 5
        return (one.count, one.strokes, one.per_million, one.low, one.high)

    asked = answer.question
    period = f"{asked.step} {pair.number}" if pair.number else "to date"
    return (
        *(asked.year, period, pair.so_far, *told(pair.now), *told(pair.before)),
        *(pair.ratio, pair.low, pair.high, pair.probability_rose, pair.p_value, pair.adjusted),
        str(pair.change),
    )
