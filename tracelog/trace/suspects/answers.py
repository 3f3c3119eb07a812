"""The documented answer about suspect cans, the same for command and API."""

from typing import Any

from tracelog.plant.queries import Directory
from tracelog.trace.suspects.asking import Bound, Suspects
from tracelog.trace.suspects.checks import Check
from tracelog.trace.suspects.clearing import Clearing
from tracelog.trace.suspects.queries import SuspectPallet
from tracelog.trace.suspects.rules import RISKS, Tally, curve


def suspects_answer(found: Suspects, plan: Clearing | None, machines: Directory) -> dict[str, Any]:
    """The answer as JSON-ready values; instants in UTC."""
    window, wish = found.window, found.wish
    held = {one.pallet.pallet for one in window.held_at(wish.risk)}
    return {
        "machines": [one.text for one in found.machines],
        "defect": wish.defect,
        "last_good": bound_answer(found.start),
        "first_bad": bound_answer(found.first_bad),
        "repaired": bound_answer(found.end),
        "made_from": window.question.made_from,
        "made_to": window.question.made_to,
        "risk": wish.risk,
        "fraction": wish.fraction,
        "suspect_strokes": window.strokes,
        "expected_on_pallets": window.expected,
        "expected_on_conveyors": window.on_conveyors,
        "expected_defective": None if wish.fraction is None else window.strokes * wish.fraction,
        "held": tally_answer(window.tally_at(wish.risk)),
        "naive": {"pallets": window.naive.pallets, "cans": window.naive.cans},
        "risks": [tally_answer(one) for one in curve(window.pallets, RISKS)],
        "pallets": [
            pallet_answer(one, one.pallet.pallet in held, machines) for one in window.pallets
        ],
        "pallets_cut": window.is_cut,
        "checks": [] if found.evidence is None else _checks(found),
        "warnings": list(found.warnings),
        "sampling": None if plan is None else clearing_answer(plan),
    }


def bound_answer(bound: Bound) -> dict[str, Any]:
    """An end of the window."""
    return {"at": bound.at, "basis": bound.basis, "is_known": bound.is_known}


def tally_answer(one: Tally) -> dict[str, Any]:
    """What is held at an accepted risk."""
    return {
        "risk": one.risk,
        "pallets": one.pallets,
        "cans": one.cans,
        "suspect": one.suspect,
        "missed": one.missed,
        "suspect_share": one.share,
    }


def pallet_answer(one: SuspectPallet, is_held: bool, machines: Directory) -> dict[str, Any]:
    """A pallet and what is expected on it."""
    return {
        "pallet": one.pallet.pallet,
        "line": machines.line_numbers[one.pallet.line_id],
        "started_at": one.pallet.started_at,
        "ended_at": one.pallet.ended_at,
        "cans": one.cans,
        "status": one.pallet.status,
        "is_open": one.is_open,
        "expected": one.expected,
        "chance_of_none": one.chance_of_none,
        "chance_of_no_defective": one.chance_of_no_defective,
        "hold": is_held,
    }


def _checks(found: Suspects) -> list[dict[str, Any]]:
    assert found.evidence is not None  # noqa: S101  # asked before
    return [
        {"machine": machine.text, **check_answer(check)}
        for machine in found.machines
        for check in found.evidence.records[machine.id].checks
    ]


def check_answer(one: Check) -> dict[str, Any]:
    """Cans that were looked at."""
    return {
        "kind": one.kind.value,
        "name": one.name,
        "taken_at": one.taken_at,
        "made_from": one.made_from,
        "made_to": one.made_to,
        "cans": one.cans,
        "bad": one.bad,
        "place": one.place,
    }


def clearing_answer(one: Clearing) -> dict[str, Any]:
    """A sampling plan with its operating characteristic."""
    return {
        "lot": one.lot,
        "aql": one.quality_level,
        "level": one.level,
        "code_letter": one.plan.code_letter,
        "size": one.plan.size,
        "accept": one.plan.accept,
        "reject": one.plan.reject,
        "accepted_95": one.accepted_95,
        "accepted_10": one.accepted_10,
        "seen_fraction": one.seen_fraction,
        "seen_cans": one.seen_cans,
        "shown": one.shown,
        "curve": [
            {"fraction": fraction, "accepted": chance}
            for fraction, chance in zip(one.fractions, one.accepted, strict=True)
        ],
    }
