"""The documented answer about a shift; instants in UTC."""

from typing import Any

from tracelog.handover.moved import Moved
from tracelog.handover.queries import Note, ShiftPage
from tracelog.json_text import finite


def shift_answer(page: ShiftPage) -> dict[str, Any]:
    """A shift as far as it has gone: what it made, what stood out, what is carried over."""
    return {
        "shift": page.shift.shift,
        "crew": page.shift.crew,
        "day": page.shift.day.isoformat(),
        "started_at": page.shift.started_at,
        "ended_at": page.shift.ended_at,
        "until": page.until,
        "notes": [note_answer(note) for note in page.notes],
        "standing_out": [
            {
                "machine": one.count.machine,
                "occurrences": one.count.happenings,
                "strokes": one.count.strokes,
                "usual": one.usual,
                "rate_ratio": finite(one.ratio),
                "adjusted_p": one.adjusted_p,
            }
            for one in page.standing_out
        ],
        "lines": [
            {
                "line": one.line,
                "strokes": one.strokes,
                "read_until": one.read_until,
                "strokes_per_hour": one.strokes_per_hour,
                "usual_per_hour": one.usual_per_hour,
                "entries": one.entries,
                "cans": one.cans,
                "spoilage": {
                    "cans": one.spoilage.cans,
                    "per_million": finite(one.spoilage.rate),
                    "low": finite(one.spoilage.low),
                    "high": finite(one.spoilage.high),
                    "usual": finite(one.spoilage.usual),
                },
            }
            for one in page.lines
        ],
        "defects": [
            {
                "defect": one.defect,
                "entries": one.entries,
                "occurrences": one.happenings,
                "usual": finite(one.usual),
                "rate_ratio": finite(one.ratio),
                "adjusted_p": one.adjusted_p,
            }
            for one in page.defects
        ],
        **_done(page),
        **moved_answer(page.moved),
    }


def moved_answer(moved: Moved) -> dict[str, Any]:
    """What moved in a period: signals, cases, holds, and services that fall due."""
    return {
        "signals": [
            {
                "machine": one.signal.machine.text,
                "defect": one.signal.defect,
                "kind": one.signal.kind.value,
                "raised_at": one.signal.raised_at,
                "happened": [*one.happened],
                "says": one.says,
            }
            for one in moved.signals
        ],
        "signals_on": moved.signals_on,
        "cases": [
            {
                "id": str(one.case.id),
                "title": one.case.title,
                "place": one.case.place,
                "defect": one.case.defect,
                "state": one.case.state.value,
                "happened": [*one.happened],
                "steps": len(one.steps),
            }
            for one in moved.cases
        ],
        "cases_open": moved.cases_open,
        "holds": [
            {
                "number": one.hold.number,
                "reason": one.hold.reason,
                "is_open": one.hold.is_open,
                "pallets_held": one.held,
                "happened": [*one.happened],
            }
            for one in moved.holds
        ],
        "services_due": [
            {
                "machine": one.standing.machine.text,
                "service": one.standing.level.service,
                "is_overdue": one.is_overdue,
                "strokes_left": one.strokes_left,
                "hours_left": finite(one.hours_left),
            }
            for one in moved.due
        ],
    }


def note_answer(note: Note) -> dict[str, Any]:
    """A note; `settled_at` null: it is still carried over."""
    return {
        "id": str(note.id),
        "line": note.line,
        "about": note.about,
        "text": note.text,
        "written_at": note.written_at,
        "written_by": note.written_by,
        "settled_at": note.settled_at,
        "settled_by": note.settled_by,
        "reason": note.reason,
    }


def _done(page: ShiftPage) -> dict[str, Any]:
    return {
        "services": [
            {
                "machine": one.machine.text,
                "service": one.service,
                "done_at": one.done_at,
                "unplanned": one.unplanned,
                "note": one.note,
            }
            for one in page.services
        ],
        "tool_fits": [
            {
                "machine": machine.text,
                "position": stay.position,
                "serial": stay.serial,
                "fitted_at": stay.fitted_at,
            }
            for machine, stay in page.tools_in
        ],
        "changes": [
            {"place": place, "kind": one.kind, "at": one.at, "note": one.note}
            for place, one in page.changes
        ],
        "coils": [
            {"line": line, "coil": run.coil, "started_at": run.started_at}
            for line, run in page.coils
        ],
        "counter_questions": [
            {
                "machine": machine.text,
                "from": one.from_at,
                "to": one.to_at,
                "strokes_from": one.from_strokes,
                "strokes_to": one.to_strokes,
            }
            for machine, one in page.questions
        ],
    }
