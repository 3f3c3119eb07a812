"""The documented answers about entries of the log; instants in UTC."""

from typing import Any

from tracelog.defects.queries import CorrectionView, EntryPage, EntryRecord, EntryView


def entry_answer(entry: EntryView) -> dict[str, Any]:
    """One entry as it stands: the fields of the file, and what is derived from them."""
    return {
        "id": str(entry.id),
        "seen_at": entry.seen_at,
        "dome_code": entry.dome_code,
        "defect": entry.defect,
        "cans": entry.cans,
        "occurrences": entry.occurrences,
        "inspected": entry.inspected,
        "found_at": entry.found_at,
        "made_at": entry.made_at,
        "coil": entry.coil,
        "pallet": entry.pallet,
        "mark": entry.mark,
        "note": entry.note,
        "logged_by": entry.logged_by,
        "logged_at": entry.logged_at,
        "tablet_clock_error_s": entry.tablet_clock_error_s,
        "machine": entry.machine.text if entry.machine else None,
        "candidates": [machine.text for machine in entry.candidates],
        "line": entry.line,
        "occurred_at": entry.occurred_at,
        "counted_occurrences": entry.counted_occurrences,
        "defect_name": entry.defect_title,
        "severity": entry.severity,
        "corrections": entry.corrections,
    }


def page_answer(page: EntryPage) -> dict[str, Any]:
    """Some entries, and the cursor of the next ones (null: there are no more)."""
    return {"defects": [entry_answer(entry) for entry in page.rows], "cursor": page.next_after}


def record_answer(record: EntryRecord) -> dict[str, Any]:
    """An entry with its history."""
    return {
        **entry_answer(record.now),
        "withdrawn": record.is_withdrawn,
        "logged": entry_answer(record.original),
        "history": [correction_answer(one) for one in record.corrections],
    }


def correction_answer(correction: CorrectionView) -> dict[str, Any]:
    """One correction: who, when, why, and what it changed, as text of the file format."""
    return {
        "id": str(correction.id),
        "corrected_at": correction.corrected_at,
        "corrected_by": correction.corrected_by,
        "reason": correction.reason,
        "withdrawn": correction.withdrawn,
        "changes": [
            {"field": change.field, "before": change.before, "after": change.after}
            for change in correction.changes
        ],
    }
