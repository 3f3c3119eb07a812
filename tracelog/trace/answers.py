"""The documented answer about a can, the same for command and API."""

from typing import Any

from tracelog.defects.queries import EntryView
from tracelog.plant.queries import Directory
from tracelog.plant.stays import ChangeMade, CoilStay, PalletStay
from tracelog.trace.dossier import Dossier
from tracelog.trace.where_used import WhereUsed


def coil_answer(run: CoilStay) -> dict[str, Any]:
    """A coil on a line."""
    return {
        "coil": run.coil,
        "alloy": run.alloy,
        "gauge_mm": run.gauge_mm,
        "started_at": run.started_at,
        "ended_at": run.ended_at,
    }


def pallet_answer(pallet: PalletStay) -> dict[str, Any]:
    """A pallet on which the can may lie."""
    return {
        "pallet": pallet.pallet,
        "started_at": pallet.started_at,
        "ended_at": pallet.ended_at,
        "cans": pallet.cans,
        "status": pallet.status,
    }


def change_answer(change: ChangeMade, machines: Directory) -> dict[str, Any]:
    """Something altered on the line or the machine."""
    machine = machines.by_id[change.machine_id].text if change.machine_id else None
    return {
        "at": change.at,
        "kind": change.kind,
        "line": machines.line_numbers[change.line_id],
        "machine": machine,
        "note": change.note,
    }


def entry_answer(entry: EntryView) -> dict[str, Any]:
    """A logged finding, in short."""
    return {
        "id": str(entry.id),
        "seen_at": entry.seen_at,
        "occurred_at": entry.occurred_at,
        "defect": entry.defect,
        "cans": entry.cans,
        "occurrences": entry.occurrences,
        "inspected": entry.inspected,
        "found_at": entry.found_at,
        "dome_code": entry.dome_code,
    }


def dossier_answer(found: Dossier, machines: Directory) -> dict[str, Any]:
    """The dossier as JSON-ready values; instants in UTC."""
    return {
        "code": str(found.question.code) if found.question.code else None,
        "at": found.question.at or (found.made.middle if found.made.is_instant else None),
        "made": {"from": found.made.start, "to": found.made.end, "basis": found.made.basis},
        "candidates": [
            {"machine": one.machine.text, "probability": one.probability}
            for one in found.candidates
        ],
        "machine": found.machine.text if found.machine else None,
        "line": found.line,
        "strokes_total": found.then.strokes_total,
        "strokes_since_service": {
            one.level.service: one.strokes_since for one in found.then.services_since
        },
        "tools": [
            {
                "serial": tool.stay.serial,
                "tool_type": tool.stay.tool_type,
                "position": tool.stay.position,
                "fitted_at": tool.stay.fitted_at,
                "strokes_on_tool": tool.strokes_on_tool,
                "strokes_since_work": tool.strokes_since_work,
            }
            for tool in found.then.tools
        ],
        "coils": [coil_answer(run) for run in found.coils],
        "crew": found.shift.crew if found.shift else None,
        "shift": found.shift.shift if found.shift else None,
        "defects_nearby": [entry_answer(entry) for entry in found.then.entries],
        "services": [
            {
                "service": service.service,
                "done_at": service.done_at,
                "unplanned": service.unplanned,
                "note": service.note,
            }
            for service in found.then.services
        ],
        "changes": [change_answer(change, machines) for change in found.then.changes],
        "pallets": [pallet_answer(pallet) for pallet in found.pallets],
    }


def where_used_answer(found: WhereUsed) -> dict[str, Any]:
    """Everything a tool, coil or machine made, as JSON-ready values; instants in UTC."""
    return {
        "kind": found.kind,
        "name": found.name,
        "from": found.start,
        "to": found.end,
        "strokes": found.strokes,
        "uses": [
            {
                "machine": use.machine.text,
                "position": use.position or None,
                "from": use.start,
                "to": use.end,
                "strokes": use.strokes,
                "entries": use.entries,
                "cans": use.cans,
            }
            for use in found.uses
        ],
        "entries": [entry_answer(entry) for entry in found.entries],
        "entries_cut": found.entries_cut,
        "pallets": [pallet_answer(pallet) for pallet in found.pallets],
        "pallets_cut": found.pallets_cut,
    }
