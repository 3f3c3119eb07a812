"""The documented answers about tools, the same for command and API."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from tracelog.plant.queries import Directory
from tracelog.service.tool_histories import ToolHistory
from tracelog.service.tool_list import kind_of_tool


def tools_answer(
    histories: Iterable[ToolHistory], machines: Directory, as_of: datetime
) -> dict[str, Any]:
    """Tools as JSON-ready values, in the order given."""
    return {"as_of": as_of, "tools": [tool_answer(one, machines) for one in histories]}


def tool_answer(history: ToolHistory, machines: Directory) -> dict[str, Any]:
    """One tool in short: where it is and what it has made.

    `..._at_least` says that strokes are missing from the count; `works` is how often the tool was
    restored.
    """
    tool, count, present = history.tool, history.count, history.present
    return {
        "serial": tool.serial,
        "tool_type": tool.tool_type,
        "state": history.state.value,
        "machine": present and machines.by_id[present.stay.machine_id].text,
        "position": present and present.stay.position,
        "fitted_at": present and present.stay.fitted_at,
        "strokes_on_tool": count.total,
        "on_tool_at_least": not count.total_exact,
        "strokes_since_work": count.since_work,
        "since_work_at_least": not count.since_work_exact,
        "works": count.renewals,
        "life_strokes": tool.life_strokes,
        "share_used": history.share,
    }


def tool_card_answer(history: ToolHistory, machines: Directory, as_of: datetime) -> dict[str, Any]:
    """Everything on record about one tool: its lives, stays and works, each by time."""
    kind = kind_of_tool(history.tool.tool_type)
    return {
        "as_of": as_of,
        **tool_answer(history, machines),
        "note": history.tool.note,
        "usual_works_low": kind and kind.regrinds_low,
        "usual_works_high": kind and kind.regrinds_high,
        "cycles": [
            {
                "number": one.number,
                "machine": machines.by_id[one.machine_id].text,
                "position": one.position,
                "started_at": one.started_at,
                "ended_at": one.ended_at,
                "end_reason": one.end_reason,
                "entry_strokes": one.entry_strokes,
                "strokes": one.strokes,
                "at_least": not one.exact,
            }
            for one in history.count.cycles
        ],
        "stays": [
            {
                "machine": machines.by_id[one.stay.machine_id].text,
                "position": one.stay.position,
                "fitted_at": one.stay.fitted_at,
                "removed_at": one.stay.removed_at,
                "removal_reason": one.stay.removal_reason,
                "strokes": one.strokes,
                "at_least": not one.exact,
            }
            for one in history.stays
        ],
        "tool_works": [
            {
                "done_at": one.done_at,
                "work": one.work,
                "strokes_before": one.strokes_before,
                "strokes_before_since_work": one.strokes_before_since_work,
                "size_mm": one.size_mm,
                "note": one.note,
            }
            for one in history.works
        ],
    }
