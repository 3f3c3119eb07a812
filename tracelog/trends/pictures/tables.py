"""Funnel, heat map and years as tables for files: every column the pages show, and more."""

from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.trends.pictures.funnel import FunnelAnswer, FunnelRow
from tracelog.trends.pictures.heat import HeatAnswer
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
