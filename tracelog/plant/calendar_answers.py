"""The documented answers about planned periods, the same for command and API."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from tracelog.plant.calendar_rules import PlannedPeriodView
from tracelog.plant.icalendar_actions import ImportedCalendar
from tracelog.plant.icalendar_matching import ImportStep
from tracelog.plant.queries import Directory


def periods_answer(
    periods: Iterable[PlannedPeriodView],
    known: Directory,
    start: datetime,
    end: datetime,
    as_of: datetime | None,
) -> dict[str, Any]:
    """Planned periods as JSON-ready values.

    Args:
        periods: in the order to be given.
        known: of the plant.
        start, end: UTC, the time that was asked for.
        as_of: UTC; None: as they stand now.
    """
    return {
        "from": start,
        "to": end,
        "as_of": as_of,
        "periods": [period_answer(one, known) for one in periods],
    }


def period_answer(period: PlannedPeriodView, known: Directory) -> dict[str, Any]:
    """One planned period; `line` null: the whole plant, `bodymaker` null: the whole line."""
    machine = known.by_id.get(period.machine_id) if period.machine_id else None
    return {
        "id": str(period.id),
        "kind": period.kind.value,
        "line": known.line_numbers[period.line_id] if period.line_id else None,
        "bodymaker": machine.number if machine else None,
        "starts_at": period.starts_at,
        "ends_at": period.ends_at,
        "reason": period.reason,
        "announced_at": period.announced_at,
        "withdrawn_at": period.withdrawn_at,
        "uid": period.uid,
    }


def import_answer(done: ImportedCalendar, known: Directory) -> dict[str, Any]:
    """What an import of a calendar file did, step by step."""
    return {
        "written": done.is_kept,
        "counts": done.counts,
        "without_length": done.without_length,
        "faults": list(done.faults),
        "steps": [_step_answer(step, known) for step in done.steps],
    }


def _step_answer(step: ImportStep, known: Directory) -> dict[str, Any]:
    new = step.new
    return {
        "status": step.kind.value,
        "since": step.since,
        "before": period_answer(step.old, known) if step.old else None,
        "event": new
        and {
            "uid": new.key,
            "kind": new.kind.value,
            "starts_at": new.starts_at,
            "ends_at": new.ends_at,
            "reason": new.reason,
        },
    }
