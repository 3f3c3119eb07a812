"""Funnel and years as documented JSON, and the funnel for the chart library."""

from typing import Any

from tracelog.language import _
from tracelog.trends.pictures.funnel import FunnelAnswer, FunnelCurve, FunnelRow, Place
from tracelog.trends.pictures.years import Pair, Tallied, YearsAnswer

_SYMBOLS = {
    Place.FAR_ABOVE: "triangle-up",
    Place.ABOVE: "diamond",
    Place.WITHIN: "circle",
    Place.BELOW: "square",
    Place.FAR_BELOW: "triangle-down",
    Place.UNKNOWN: "circle-open",
}


def funnel_answer(answer: FunnelAnswer) -> dict[str, Any]:
    """A funnel as JSON-ready values; rates and limits per million strokes."""
    asked = answer.question
    return {
        "by": asked.by,
        "defects": list(asked.defects) or None,
        "line": asked.line,
        "from": asked.start,
        "to": asked.end,
        "as_of": asked.as_of,
        "mean": answer.mean,
        "spread": answer.spread,
        "dispersion_p": answer.dispersion_p,
        "says": answer.says,
        "rows": [_row(row) for row in answer.rows],
        "notes": list(answer.notes),
    }


def _row(row: FunnelRow) -> dict[str, Any]:
    rate = row.rate
    return {
        "name": rate.name,
        "machine": rate.machine,
        "line": rate.line,
        "occurrences": rate.occurrences,
        "cans": rate.cans,
        "strokes": rate.exposure,
        "per_million": rate.per_million,
        "low": rate.low,
        "high": rate.high,
        "shrunk": row.shrunk,
        "probability_worst": row.probability_worst,
        "place": row.place,
        "inner_limits": None if row.inner is None else list(row.inner),
        "outer_limits": None if row.outer is None else list(row.outer),
        "note": rate.note or None,
    }


def funnel_drawn(answer: FunnelAnswer) -> dict[str, Any]:
    """A funnel for the chart library: limits as curves, machines as marks."""
    rows = [row for row in answer.rows if row.rate.per_million is not None]
    marks: dict[str, Any] = {
        "type": "scatter",
        "mode": "markers",
        "name": _("rate"),
        "x": [row.rate.exposure for row in rows],
        "y": [row.rate.per_million for row in rows],
        "text": [row.rate.name for row in rows],
        "marker": {"role": "ink", "size": 10, "symbol": [_SYMBOLS[row.place] for row in rows]},
        "customdata": [[row.rate.counted] for row in rows],
        "hovertemplate": "%{text}: %{y:.4g}<br>%{customdata[0]:,} / %{x:,}<extra></extra>",
    }
    curves = [] if answer.curve is None else _curves(answer.curve)
    return {"data": [*curves, marks], "layout": {"height": 460, "yaxis": {"rangemode": "tozero"}}}


def _curves(curve: FunnelCurve) -> list[dict[str, Any]]:
    kinds = (
        (_("95 % limits"), curve.inner_low, curve.inner_high, "dash", "accent"),
        (_("99.8 % limits"), curve.outer_low, curve.outer_high, "solid", "accent"),
        (_("99.8 % by chance alone"), curve.chance_low, curve.chance_high, "dot", "muted"),
    )
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "name": name,
            "x": list(curve.exposures),
            "y": list(values),
            "line": {"role": role, "dash": dash},
            "hoverinfo": "skip",
        }
        for name, low, high, dash, role in kinds
        for values in (low, high)
    ]


def years_answer(answer: YearsAnswer) -> dict[str, Any]:
    """Year against year as JSON-ready values; rates per million strokes."""
    asked = answer.question
    return {
        "year": asked.year,
        "step": asked.step,
        "defects": list(asked.defects) or None,
        "line": asked.line,
        "machine": None if asked.machine is None else asked.machine.text,
        "as_of": asked.as_of,
        "periods": [_pair(pair) for pair in answer.pairs],
        "to_date": _pair(answer.to_date),
        "until": answer.until.isoformat(),
        "until_before": answer.until_before.isoformat(),
        "notes": list(answer.notes),
    }


def _pair(pair: Pair) -> dict[str, Any]:
    return {
        "number": pair.number,
        "now": _tallied(pair.now),
        "before": _tallied(pair.before),
        "so_far": pair.so_far,
        "ratio": pair.ratio,
        "low": pair.low,
        "high": pair.high,
        "p_value": pair.p_value,
        "adjusted_p": pair.adjusted,
        "probability_rose": pair.probability_rose,
        "change": pair.change,
    }


def _tallied(one: Tallied | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "occurrences": one.count,
        "strokes": one.strokes,
        "per_million": one.per_million,
        "low": one.low,
        "high": one.high,
    }
