"""The documented answers about a group of plants, the same for command, API, page and file."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from tracelog.group.asking import Told
from tracelog.group.queries import Freshness, GroupRate, PlantNow, together
from tracelog.instants import zone_named
from tracelog.language import _
from tracelog.trends.signals.answers import signal_answer
from tracelog.trends.signals.queries import SignalView
from tracelog.web.sheets import Cell, Sheet

OVERVIEW_COLUMNS = (
    *("plant", "name", "state", "link", "heard_at", "last_fact_at", "lines", "bodymakers"),
    *("need_somebody", "signals_on", "services_overdue", "services_due_in_7_days", "holds_open"),
    *("strokes_24_hours", "entries_24_hours"),
)
RATE_COLUMNS = (*("plant", "state", "occurrences", "strokes", "rate_per_million", "low", "high"),)
SIGNAL_COLUMNS = (
    *("plant", "state", "machine", "defect", "kind", "raised_at", "since"),
    *("rate_per_million", "baseline_per_million", "occurrences", "strokes"),
)
ANSWERS = "answers"


def overview_answer(told: Sequence[Told[PlantNow]], as_of: datetime) -> dict[str, Any]:
    """How all plants stand, as JSON-ready values."""
    return {"as_of": as_of, "plants": [_plant(one) for one in told]}


def _plant(told: Told[PlantNow]) -> dict[str, Any]:
    now = told.answer
    if now is None:
        return {"plant": told.plant.name, "why": told.why, "standing": None}
    return {
        "plant": told.plant.name,
        "why": None,
        "standing": {
            "name": now.plant.name,
            "data": _freshness(now.freshness),
            "services_overdue": now.overdue,
            "services_due_in_7_days": now.due_soon,
            "holds_open": now.holds_open,
            "signals_on": len(now.signals),
            "lines": [
                {
                    "line": line.line,
                    "name": line.name,
                    "bodymakers": len(line.machines),
                    "need_somebody": len(line.needing),
                    "signals_on": sum(len(one.signals) for one in line.machines),
                    "strokes_24_hours": line.strokes_recent,
                    "entries_24_hours": line.entries_recent,
                }
                for line in now.lines
            ],
        },
    }


def _freshness(fresh: Freshness) -> dict[str, Any]:
    return {
        "link": fresh.link,
        "heard_at": fresh.heard_at,
        "last_fact_at": fresh.last_fact_at,
    }


def rates_answer(
    told: Sequence[Told[GroupRate]], defects: Sequence[str], start: datetime, end: datetime
) -> dict[str, Any]:
    """Rates by plant and of all together, as JSON-ready values; rates are per million strokes."""
    return {
        "defects": list(defects),
        "from": start,
        "to": end,
        "plants": [
            {
                "plant": one.plant.name,
                "why": one.why or None,
                "rate": one.answer and _rate(one.answer),
            }
            for one in told
        ],
        "together": _rate(together(told)),
    }


def _rate(rate: GroupRate) -> dict[str, Any]:
    return {
        "occurrences": rate.counted,
        "strokes": rate.strokes,
        "per_million": rate.per_million,
        "low": rate.low,
        "high": rate.high,
    }


def signals_answer(told: Sequence[Told[tuple[SignalView, ...]]], as_of: datetime) -> dict[str, Any]:
    """Signals that are on, by plant, as JSON-ready values."""
    return {
        "as_of": as_of,
        "plants": [
            {
                "plant": one.plant.name,
                "why": one.why or None,
                "signals": [signal_answer(signal) for signal in one.answer or ()],
            }
            for one in told
        ],
    }


def overview_sheet(told: Sequence[Told[PlantNow]]) -> Sheet:
    """How all plants stand, as a table for a spreadsheet; instants in UTC."""
    return _sheet(_("Plants"), OVERVIEW_COLUMNS, [_overview_row(one) for one in told])


def _overview_row(told: Told[PlantNow]) -> tuple[Cell, ...]:
    now = told.answer
    if now is None:
        return _away(told, OVERVIEW_COLUMNS, state=2)
    fresh = now.freshness
    return (
        *(told.plant.name, now.plant.name, ANSWERS, fresh.link, fresh.heard_at),
        *(fresh.last_fact_at, len(now.lines), now.machines, now.needing, len(now.signals)),
        *(now.overdue, now.due_soon, now.holds_open, now.strokes_recent, now.entries_recent),
    )


def rates_sheet(told: Sequence[Told[GroupRate]]) -> Sheet:
    """Rates by plant and of all together, as a table for a spreadsheet."""
    rows = [
        _away(one, RATE_COLUMNS, state=1)
        if one.answer is None
        else (one.plant.name, ANSWERS, *_rate(one.answer).values())
        for one in told
    ]
    rows.append((_("all that answer"), ANSWERS, *_rate(together(told)).values()))
    return _sheet(_("Rates"), RATE_COLUMNS, rows)


def signals_sheet(told: Sequence[Told[tuple[SignalView, ...]]]) -> Sheet:
    """Signals that are on in all plants, as a table for a spreadsheet; instants in UTC."""
    rows: list[tuple[Cell, ...]] = []
    for one in told:
        if one.answer is None:
            rows.append(_away(one, SIGNAL_COLUMNS, state=1))
        rows.extend(
            (
                *(one.plant.name, ANSWERS, signal.machine.text, signal.defect or None),
                *(signal.kind.value, signal.raised_at, signal.since),
                *(signal.rate_per_million, signal.baseline_per_million),
                *(signal.count, signal.strokes),
            )
            for signal in one.answer or ()
        )
    return _sheet(_("Signals"), SIGNAL_COLUMNS, rows)


def _away(told: Told[Any], columns: Sequence[str], state: int) -> tuple[Cell, ...]:
    """The row of a plant that does not answer: its name, and why."""
    cells: list[Cell] = [None] * len(columns)
    cells[0], cells[state] = told.plant.name, told.why
    return tuple(cells)


def _sheet(title: str, columns: Sequence[str], rows: Sequence[tuple[Cell, ...]]) -> Sheet:
    # Plants may lie in several zones: a table of all of them is in none.
    return Sheet(title, tuple(columns), tuple(rows), zone_named("UTC"))
