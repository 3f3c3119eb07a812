"""The documented answer about a can, the same for command and API."""

from typing import Any

from tracelog.defects.queries import EntryView
from tracelog.plant.queries import Directory
from tracelog.plant.stays import ChangeMade, CoilStay, PalletStay
from tracelog.trace.candidates import Candidate
from tracelog.trace.contradicting import Contradiction
from tracelog.trace.dossier import Dossier, ToolInPlace
from tracelog.trace.laying import LaidOn
from tracelog.trace.moves import Stop
from tracelog.trace.transit import Way
from tracelog.trace.where_used import WhereUsed
from tracelog.trends.measured.queries import NearValues
from tracelog.trends.signals.answers import signal_answer


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


def laid_answer(one: LaidOn) -> dict[str, Any]:
    """A pallet on which the can may lie, with its chance and the holds it is in."""
    return {
        **pallet_answer(one.stay),
        "probability": one.probability,
        "holds": list(one.holds),
    }


def stop_answer(stop: Stop | None) -> dict[str, Any] | None:
    """A place where a tool was."""
    if stop is None:
        return None
    return {
        "machine": stop.machine.text,
        "position": stop.position,
        "from": stop.start,
        "to": stop.end,
    }


def tool_answer(tool: ToolInPlace, machines: Directory) -> dict[str, Any]:
    """A tool that made the can, and where it had been before."""
    return {
        "serial": tool.stay.serial,
        "tool_type": tool.stay.tool_type,
        "position": tool.stay.position,
        "fitted_at": tool.stay.fitted_at,
        "strokes_on_tool": tool.strokes_on_tool,
        "strokes_since_work": tool.strokes_since_work,
        "earlier": [
            {
                "machine": machines.by_id[one.stay.machine_id].text,
                "position": one.stay.position,
                "from": one.stay.fitted_at,
                "to": one.stay.removed_at,
                "removal_reason": one.stay.removal_reason,
                "strokes": one.strokes,
            }
            for one in tool.earlier
        ],
    }


def near_answer(one: NearValues) -> dict[str, Any]:
    """What was measured nearest before or after."""
    return {
        "characteristic": one.characteristic,
        "measured_at": one.measured_at,
        "mean": one.mean,
        "unit": one.unit,
        "values": one.values,
    }


def candidate_answer(one: Candidate) -> dict[str, Any]:
    """A machine that may have made the can; code and reason only where something is in doubt."""
    told = {"machine": one.machine.text, "probability": one.probability}
    return told | {"code": str(one.code), "reason": one.reason} if one.reason else told


def dossier_answer(found: Dossier, machines: Directory) -> dict[str, Any]:
    """The dossier as JSON-ready values; instants in UTC."""
    return {
        "code": str(found.question.code) if found.question.code else None,
        "at": found.question.at or (found.made.middle if found.made.is_instant else None),
        "made": {"from": found.made.start, "to": found.made.end, "basis": found.made.basis},
        "candidates": [candidate_answer(one) for one in found.candidates],
        "dropped": [
            {
                "code": str(one.code),
                "machine": one.machine.text if one.machine else None,
                "reason": one.reason,
            }
            for one in found.dropped
        ],
        "doubt": found.note,
        "contradiction": _contradiction_answer(found.contradiction),
        "machine": found.machine.text if found.machine else None,
        "line": found.line,
        "strokes_total": found.then.strokes_total,
        "strokes_since_service": {
            one.level.service: one.strokes_since for one in found.then.services_since
        },
        "tools": [tool_answer(tool, machines) for tool in found.then.tools],
        "coils": [coil_answer(run) for run in found.coils],
        "other_coil_runs": [
            {**coil_answer(run), "line": machines.line_numbers[run.line_id]}
            for run in found.other_runs
        ],
        "crew": found.shift.crew if found.shift else None,
        "shift": found.shift.shift if found.shift else None,
        "defects_nearby": [entry_answer(entry) for entry in found.then.entries],
        "defects_nearby_cut": found.then.entries_cut,
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
        "signals": [signal_answer(one) for one in found.then.signals],
        "measurements": [near_answer(one) for one in found.then.measured],
        "pallets": [laid_answer(one) for one in found.laid.pallets],
        "not_on_these_pallets": found.laid.elsewhere,
        "way": _way_answer(found.laid.way),
    }


def _contradiction_answer(both: Contradiction | None) -> dict[str, Any] | None:
    """What contradicts what, and the machines in question either way."""
    if both is None:
        return None
    return {
        "says": both.sentence,
        "if_the_code_is_right": [candidate_answer(one) for one in both.by_code],
        "if_pallet_or_coil_is_right": [candidate_answer(one) for one in both.by_place],
    }


def _way_answer(way: Way | None) -> dict[str, Any] | None:
    """How long cans of the line take to the palletiser, and what says so."""
    if way is None:
        return None
    return {
        "shortest_minutes": float(way.edges[0]),
        "longest_minutes": float(way.edges[-1]),
        "basis": way.basis,
        "learned_from": way.learned_from,
    }


def where_used_answer(found: WhereUsed) -> dict[str, Any]:
    """Everything that something touched, as JSON-ready values; instants in UTC."""
    return {
        "kind": found.kind,
        "name": found.name,
        "from": found.start,
        "to": found.end,
        "hours": found.hours,
        "strokes": found.strokes,
        "cans": found.cans,
        "uses": [
            {
                "machine": use.machine.text,
                "position": use.position or None,
                "from": use.start,
                "to": use.end,
                "hours": use.hours,
                "shift": use.shift.shift if use.shift else None,
                "strokes": use.strokes,
                "entries": use.entries,
                "cans": use.cans,
            }
            for use in found.uses
        ],
        "moves": [
            {
                "serial": move.serial,
                "tool_type": move.tool_type,
                **(stop_answer(move.here) or {}),
                "removal_reason": move.removal_reason,
                "came_from": stop_answer(move.came_from),
                "went_to": stop_answer(move.went_to),
            }
            for move in found.moves
        ],
        "entries": [entry_answer(entry) for entry in found.entries],
        "entries_total": found.entries_total,
        "entries_cut": found.entries_cut,
        "pallets": [pallet_answer(pallet) for pallet in found.pallets],
        "pallets_total": found.pallets_total,
        "pallets_cut": found.pallets_cut,
    }
