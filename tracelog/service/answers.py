"""The documented answers about service, the same for command and API."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from tracelog.json_text import finite
from tracelog.service.backtest import Score
from tracelog.service.queries import ServiceStanding
from tracelog.service.states import MachineState
from tracelog.service.tool_standings import ToolStanding
from tracelog.strokes.queries import OpenQuestion


def forecast_answer(
    standings: Iterable[ServiceStanding], tools: Iterable[ToolStanding], as_of: datetime
) -> dict[str, Any]:
    """The forecast as JSON-ready values; dates are days on the plant's clock.

    `since_known` is false where no such service is on record and strokes count from the first
    reading; `due_by` says whether strokes or days come first; `idle_since` since when a machine
    has stood unplanned for a day or longer. `tools` are those in machines that have a life.
    """
    return {
        "as_of": as_of,
        "machines": [
            {
                "machine": one.machine.text,
                "service": one.level.service,
                "strokes_since": one.strokes_since,
                "interval_strokes": one.level.interval_strokes,
                "strokes_per_day": round(one.use.mean),
                **_due_answer(one),
                "since_known": one.done_at is not None,
                "idle_since": one.idle_since,
            }
            for one in standings
        ],
        "tools": [
            {
                "serial": one.serial,
                "machine": one.machine.text,
                "position": one.position,
                "strokes_since": one.strokes_since_work,
                "interval_strokes": one.life_strokes,
                **_due_answer(one),
            }
            for one in tools
            if one.life_strokes
        ],
    }


def backtest_answer(scores: Iterable[Score], as_of: datetime) -> dict[str, Any]:
    """How forecasts of the past did, as JSON-ready values; errors are medians, in days."""
    return {
        "as_of": as_of,
        "scores": [
            {
                "group": one.group,
                "count": one.count,
                "coverage": one.coverage,
                "exact_coverage": one.exact_coverage,
                "error_days": finite(one.error),
                "error_last_7_days": finite(one.error_week),
                "error_rated_speed": finite(one.error_rated),
                "ratio": finite(one.ratio),
            }
            for one in scores
        ],
    }


def machine_answer(state: MachineState) -> dict[str, Any]:
    """One machine: its counter, services, tools and open questions; most used up first."""
    machine, last = state.machine, state.last_reading
    return {
        "machine": machine.text,
        "line": machine.line,
        "station": machine.station,
        "number": machine.number,
        "name": machine.name,
        "counter_max": machine.counter_max,
        "rated_spm": machine.rated_spm,
        "strokes_total": state.strokes_total,
        "last_reading": last and {"read_at": last.read_at, "strokes": last.strokes},
        "services": [_service_answer(one) for one in state.services],
        "tools": [_tool_answer(one) for one in state.tools],
        "counter_questions": [_question_answer(one) for one in state.questions],
    }


def _service_answer(one: ServiceStanding) -> dict[str, Any]:
    return {
        "service": one.level.service,
        "done_at": one.done_at,
        "strokes_since": one.strokes_since,
        "interval_strokes": one.level.interval_strokes,
        "interval_days": one.level.interval_days,
        "share_used": one.share,
        "strokes_per_day": round(one.use.mean),
        **_due_answer(one),
    }


def _tool_answer(one: ToolStanding) -> dict[str, Any]:
    return {
        "serial": one.serial,
        "tool_type": one.tool_type,
        "position": one.position,
        "fitted_at": one.fitted_at,
        "strokes_here": one.strokes_here,
        "strokes_on_tool": one.strokes_on_tool,
        "on_tool_at_least": one.on_tool_at_least,
        "strokes_since_work": one.strokes_since_work,
        "since_work_at_least": one.since_work_at_least,
        "works": one.works,
        "life_strokes": one.life_strokes,
        "share_used": one.share,
        **_due_answer(one),
    }


def _due_answer(one: ServiceStanding | ToolStanding) -> dict[str, Any]:
    return {
        "due_early": _day(one.due.due_early),
        "due": _day(one.due.due),
        "due_late": _day(one.due.due_late),
        "due_by": one.due.by,
    }


def _question_answer(one: OpenQuestion) -> dict[str, Any]:
    return {
        "from": one.from_at,
        "to": one.to_at,
        "strokes_from": one.from_strokes,
        "strokes_to": one.to_strokes,
    }


def _day(value: Any) -> str | None:
    return None if value is None else value.isoformat()
