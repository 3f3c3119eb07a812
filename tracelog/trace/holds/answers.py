"""The documented answers about stock on hold, the same for command, API and file."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.trace.holds.facts import INSPECTIONS, StepKind
from tracelog.trace.holds.queries import HeldPallet, HoldView
from tracelog.trace.holds.rules import StepSeen
from tracelog.web.sheets import Sheet

HOLD_COLUMNS = (
    *("hold", "state", "reason", "defect", "machine", "made_from", "made_to", "raised_at"),
    *("raised_by", "pallets", "on_hold", "cans_on_hold", "found", "missing", "released"),
    *("conceded", "scrapped", "expected_suspect"),
)
PALLET_COLUMNS = (
    *("pallet", "state", "line", "started_at", "ended_at", "cans", "held_at", "held_by"),
    *("expected_suspect", "chance_of_none", "place", "found", "inspected", "defective"),
    *("could_see", "decided_at", "decided_by", "decision_reason", "also_in_holds"),
)


def hold_summary(hold: HoldView) -> dict[str, Any]:
    """One hold without its pallets; `state` is ``open`` or ``closed``."""
    return {
        "id": str(hold.id),
        "number": hold.number,
        "state": "open" if hold.is_open else "closed",
        "reason": hold.reason,
        "defect": hold.defect,
        "line": hold.line,
        "machine": hold.machine,
        "made_from": hold.standing.made_from,
        "made_to": hold.standing.made_to,
        "accepted_risk": hold.accepted_risk,
        "raised_at": hold.raised_at,
        "raised_by": hold.raised_by,
        "pallets": len(hold.pallets),
        "on_hold": len(hold.held),
        "cans_on_hold": hold.cans,
        "found": hold.found,
        "missing": len(hold.missing),
        "released": hold.decided(StepKind.RELEASED),
        "conceded": hold.decided(StepKind.CONCEDED),
        "scrapped": hold.decided(StepKind.SCRAPPED),
        "expected_suspect": hold.expected_suspect,
    }


def hold_answer(hold: HoldView) -> dict[str, Any]:
    """One hold with its pallets and its steps."""
    return {
        **hold_summary(hold),
        "list": [_pallet(one) for one in hold.pallets],
        "steps": [_step(one) for one in hold.steps],
    }


def pallet_state(one: HeldPallet) -> str:
    """How a pallet stands in its hold, in a word: what was decided, else `missing` or `held`."""
    decision = one.standing.decision
    if decision is not None:
        return decision.step.value
    return "missing" if one.standing.is_missing else "held"


def _place(one: HeldPallet) -> str | None:
    told = [step.place for step in one.standing.steps if step.place is not None]
    return told[-1] if told else None


def _pallet(one: HeldPallet) -> dict[str, Any]:
    standing, decision = one.standing, one.standing.decision
    return {
        "pallet": one.pallet,
        "state": pallet_state(one),
        "on_record": one.stay is not None,
        "line": one.line,
        "started_at": one.stay.started_at if one.stay else None,
        "ended_at": one.stay.ended_at if one.stay else None,
        "cans": one.cans,
        "held_at": standing.held.at,
        "held_by": standing.held.by,
        "expected_suspect": standing.held.expected_suspect,
        "chance_of_none": standing.held.chance_of_none,
        "found": standing.is_found,
        "place": _place(one),
        "decided_at": decision.at if decision else None,
        "decided_by": decision.by if decision else None,
        "decision_reason": decision.reason if decision else None,
        "also_in": list(one.also_in),
    }


def _step(step: StepSeen) -> dict[str, Any]:
    return {
        "id": str(step.id),
        "step": step.step.value,
        "pallet": step.pallet,
        "at": step.at,
        "written_at": step.written_at,
        "by": step.by,
        "reason": step.reason,
        "place": step.place,
        "inspected": step.inspected,
        "defective": step.defective,
        "could_see": step.step is StepKind.INSPECTED if step.step in INSPECTIONS else None,
        "made_from": step.made_from,
        "made_to": step.made_to,
    }


def holds_sheet(found: list[HoldView], zone: ZoneInfo) -> Sheet:
    """Holds as a table for files: one row for each."""
    rows = []
    for hold in found:
        told = hold_summary(hold)
        told["hold"] = hold.number
        rows.append(tuple(told[name] for name in HOLD_COLUMNS))
    return Sheet("Holds", HOLD_COLUMNS, tuple(rows), zone)


def pallets_sheet(hold: HoldView, zone: ZoneInfo) -> Sheet:
    """The pallets of a hold as a table for files: one row for each."""
    rows = []
    for one in hold.pallets:
        told = _pallet(one)
        last = one.standing.inspections[-1] if one.standing.inspections else None
        told |= {
            "inspected": last.inspected if last else None,
            "defective": last.defective if last else None,
            "could_see": last.step is StepKind.INSPECTED if last else None,
            "also_in_holds": " ".join(str(number) for number in one.also_in) or None,
        }
        rows.append(tuple(told[name] for name in PALLET_COLUMNS))
    return Sheet(f"Hold {hold.number}", PALLET_COLUMNS, tuple(rows), zone)


def age(hold: HoldView, as_of: datetime) -> float:
    """Hours since a hold was raised; of a closed one, until it was closed."""
    closed = hold.standing.closed
    end = closed.at if closed is not None else as_of
    return (end - hold.raised_at).total_seconds() / 3600
