"""Figures for the chart library, as plain data: it draws them for those who want to explore.

The names of colours are roles; the page's script puts in the colours of its own style sheet.
"""

from typing import Any
from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.trends.answers import ChartAnswer, ChartPoint, ParetoAnswer, Rates
from tracelog.trends.series.drawing import point_at


def figure_of(answer: Rates | ChartAnswer | ParetoAnswer, zone: ZoneInfo) -> dict[str, Any]:
    """The figure of one answer: `data` and `layout` for the chart library."""
    if isinstance(answer, Rates):
        return rates_figure(answer)
    if isinstance(answer, ChartAnswer):
        return chart_points_figure(answer, zone)
    return pareto_bars_figure(answer)


def rates_figure(rates: Rates) -> dict[str, Any]:
    """Rates as dots with their intervals, and the shrunk rates beside them."""
    rows = [row for row in rates.rows if row.per_million is not None]
    names = [row.name for row in rows]
    values = [row.per_million or 0.0 for row in rows]
    dots = {
        "type": "scatter",
        "mode": "markers",
        "name": _("rate with its 95 % interval"),
        "x": values,
        "y": names,
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": [(row.high or 0.0) - (row.per_million or 0.0) for row in rows],
            "arrayminus": [(row.per_million or 0.0) - (row.low or 0.0) for row in rows],
        },
        "marker": {"role": "ink", "size": 9},
        "customdata": [[row.counted, row.exposure] for row in rows],
        "hovertemplate": "%{y}: %{x:.4g}<br>%{customdata[0]:,} / %{customdata[1]:,}<extra></extra>",
    }
    traces: list[dict[str, Any]] = [dots]
    shrunk = [row.shrunk for row in rows]
    if any(value is not None for value in shrunk):
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": _("pulled towards the plant"),
                "x": shrunk,
                "y": names,
                "marker": {"role": "accent", "size": 9, "symbol": "line-ns-open"},
                "hovertemplate": "%{y}: %{x:.4g}<extra></extra>",
            }
        )
    return {
        "data": traces,
        "layout": {
            "height": 120 + 26 * max(len(rows), 3),
            "xaxis": {"rangemode": "tozero"},
            "yaxis": {"autorange": "reversed", "type": "category"},
        },
    }


def chart_points_figure(chart: ChartAnswer, zone: ZoneInfo) -> dict[str, Any]:
    """A control chart with centre line and stepped limits."""
    # The chart library reads dates of this form only, and writes them as the page does.
    at = [f"{point_at(chart, point).astimezone(zone):%Y-%m-%d %H:%M}" for point in chart.points]
    shapes = [_symbol(point) for point in chart.points]
    sizes = [13 if point.is_outside else 8 for point in chart.points]
    limits = {"type": "scatter", "mode": "lines", "x": at, "connectgaps": False}
    step = {"shape": "hvh", "dash": "dash", "role": "accent"}
    traces: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "name": _("points"),
            "x": at,
            "y": [point.value for point in chart.points],
            "line": {"role": "ink"},
            "marker": {"role": "ink", "symbol": shapes, "size": sizes},
            "customdata": [[point.count, point.exposure] for point in chart.points],
            "hovertemplate": "%{x}: %{y:.4g}<br>%{customdata[0]} / %{customdata[1]:,}"
            "<extra></extra>",
        },
        limits | {"name": _("upper limit"), "y": [p.upper for p in chart.points], "line": step},
        limits | {"name": _("lower limit"), "y": [p.lower for p in chart.points], "line": step},
        limits
        | {
            "name": _("centre"),
            "y": [chart.centre] * len(chart.points),
            "line": {"role": "muted"},
        },
    ]
    return {
        "data": traces,
        "layout": {"height": 420},
    }


def _symbol(point: ChartPoint) -> str:
    if point.is_outside:
        return "diamond"
    if point.rules:
        return "square-open"
    return "circle" if point.is_baseline else "circle-open"


def pareto_bars_figure(pareto: ParetoAnswer) -> dict[str, Any]:
    """Bars of the kinds of defect, and the line of their cumulative share."""
    names = [bar.defect for bar in pareto.bars]
    return {
        "data": [
            {
                "type": "bar",
                "name": _("occurrences"),
                "x": names,
                "y": [bar.occurrences for bar in pareto.bars],
                "marker": {"role": "ink"},
                "hovertemplate": "%{x}: %{y:,}<extra></extra>",
            },
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": _("cumulative share"),
                "x": names,
                "y": [100 * bar.cumulative for bar in pareto.bars],
                "yaxis": "y2",
                "line": {"role": "accent"},
                "marker": {"role": "accent"},
                "hovertemplate": "%{x}: %{y:.1f} %<extra></extra>",
            },
        ],
        "layout": {
            "height": 420,
            "yaxis": {"rangemode": "tozero"},
            "yaxis2": {
                "overlaying": "y",
                "side": "right",
                "range": [0, 105],
                "dtick": 20,
                "ticksuffix": " %",
                "showgrid": False,
            },
        },
    }
