"""The documented answers about complaints, the same for command, API and file."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.cases.complaints.answering import Answer
from tracelog.cases.complaints.facts import values_of
from tracelog.cases.complaints.queries import ComplaintView, Step
from tracelog.web.sheets import Sheet

COLUMNS = (
    *("complaint", "state", "received_at", "customer_reference", "code", "certainty", "pallet"),
    *("coil", "time_code", "made_from", "made_to", "defect", "cans", "cans_run", "note"),
    *("hours_to_answer", "late", "answered_at", "holds", "written_by"),
)


def complaint_answer(one: ComplaintView, as_of: datetime) -> dict[str, Any]:
    """One complaint as it stands, with its steps."""
    age, now = one.age(as_of), one.now
    return {
        "id": str(one.id),
        "number": one.number,
        "state": "open" if one.is_open else "closed",
        "received_at": now.received_at,
        "customer_reference": now.customer_reference,
        "code": str(now.code) if now.code else None,
        "certainty": now.certainty,
        "pallet": now.pallet,
        "coil": now.coil,
        "time_code": now.time_code,
        "made_from": now.made_from,
        "made_to": now.made_to,
        "defect": now.defect,
        "cans": now.cans,
        "cans_run": now.cans_run,
        "note": now.note,
        "as_it_arrived": {name: text or None for name, text in values_of(one.original).items()},
        "answered_at": one.answered_at,
        "hours_to_answer": round(age.hours, 2),
        "late": age.is_late,
        "photos": [str(key) for key in one.photo_ids],
        "written_at": one.written_at,
        "written_by": one.written_by,
        "steps": [_step(step) for step in one.steps],
    }


def _step(step: Step) -> dict[str, Any]:
    return {
        "id": str(step.id),
        "step": step.step.value,
        "at": step.at,
        "written_at": step.written_at,
        "by": step.by,
        "text": step.text,
        "changes": [
            {"field": one.field, "before": one.before or None, "after": one.after or None}
            for one in step.changes
        ],
        "hold": step.hold,
        "case": str(step.case_id) if step.case_id else None,
        "photo": str(step.photo_id) if step.photo_id else None,
    }


def whole_answer(answer: Answer, as_of: datetime) -> dict[str, Any]:
    """One complaint with what can be answered now, under ``answer``."""
    told = {
        "candidates": [
            {"machine": one.machine.text, "probability": one.probability}
            for one in answer.candidates
        ],
        "weighed_by_strokes": answer.is_weighed,
        "made_from": answer.made_from,
        "made_to": answer.made_to,
        "basis": answer.basis,
        "runs": [
            {
                "machine": one.machine.text,
                "from": one.start,
                "to": one.end,
                "strokes": one.strokes,
            }
            for one in answer.runs
        ],
        "runs_cut": answer.runs_cut,
        "pallets": [
            {
                "pallet": one.stay.pallet,
                "line": one.line,
                "started_at": one.stay.started_at,
                "ended_at": one.stay.ended_at,
                "cans": one.stay.cans,
                "expected": one.expected,
                "chance_of_none": one.chance_of_none,
                "holds": list(one.holds),
            }
            for one in answer.pallets
        ],
        "pallets_cut": answer.pallets_cut,
        "tell_quality_authority": answer.needs_authority,
        "ask_for_seam_data": answer.asks_for_seam,
        "problems": list(answer.problems),
    }
    return complaint_answer(answer.complaint, as_of) | {"answer": told}


def complaints_sheet(found: list[ComplaintView], as_of: datetime, zone: ZoneInfo) -> Sheet:
    """Complaints as a table for files: one row for each, as it stands."""
    rows = []
    for one in found:
        told = complaint_answer(one, as_of)
        holds = [step.hold for step in one.steps if step.hold is not None]
        told |= {
            "complaint": one.number,
            "certainty": one.now.certainty.value if one.now.certainty else None,
            "holds": " ".join(str(hold) for hold in dict.fromkeys(holds)) or None,
        }
        rows.append(tuple(told[name] for name in COLUMNS))
    return Sheet("Complaints", COLUMNS, tuple(rows), zone)
