"""The documented answer about the plan of services, the same for command and API."""

from collections.abc import Sequence
from typing import Any

from tracelog.facts import write_value
from tracelog.service.pins import Pin
from tracelog.service.plans import NotPlaced, PlanLine, ServicePlan


def plan_answer(plan: ServicePlan) -> dict[str, Any]:
    """The plan as JSON-ready values; dates are days on the plant's clock.

    Strokes are expected ones, rounded, and never below 0. Costs are weighted strokes; `gap` is
    how much more the plan costs than what is proven for every plan, as a share.
    """
    costs = plan.solution.costs
    return {
        "as_of": plan.as_of,
        "crews": plan.planning.crews,
        "horizon_days": plan.planning.horizon_days,
        "services": [_line_answer(line) for line in plan.lines],
        "not_placed": [_not_placed_answer(one) for one in plan.not_placed],
        "cost": round(costs.total, 1),
        "cost_parts": {
            "unused": round(costs.unused, 1),
            "late": round(costs.late, 1),
            "lost": round(costs.lost, 1),
            "after_last": round(costs.beyond, 1),
        },
        "optimal": plan.solution.is_optimal,
        "gap": round(plan.solution.gap, 9),
        "unpinned_cost": None if plan.unpinned_cost is None else round(plan.unpinned_cost, 1),
        "pins_not_kept": [{**pin_answer(one.pin), "why": one.why} for one in plan.inputs.broken],
        "pins_beyond": [pin_answer(pin) for pin in plan.inputs.beyond],
        "left_out": [
            {"machine": one.machine.text, "service": one.service, "why": one.why}
            for one in plan.inputs.left_out
        ],
    }


def _line_answer(line: PlanLine) -> dict[str, Any]:
    return {
        "machine": line.machine.text,
        "service": line.service,
        "date": line.day.isoformat(),
        "due": None if line.due is None else line.due.isoformat(),
        "strokes_unused": round(line.strokes_unused),
        "until": line.last_day.isoformat(),
        "line": line.machine.line,
        "hours": line.hours,
        "people": line.people,
        "crews": list(line.crews),
        "chance_late": round(line.chance_late, 6),
        "strokes_late": round(line.strokes_late),
        "strokes_lost": round(line.strokes_lost),
        "in_stop": line.in_stop,
        "also": list(line.also),
        "pinned": line.pin is not None,
        "pin": None if line.pin is None else str(line.pin.id),
    }


def _not_placed_answer(one: NotPlaced) -> dict[str, Any]:
    return {
        "machine": one.machine.text,
        "why": one.why,
        "service": one.service,
        "due": one.due.isoformat(),
    }


def pin_answer(pin: Pin) -> dict[str, Any]:
    """One promise as JSON-ready values."""
    return {
        "id": str(pin.id),
        "machine": pin.machine.text,
        "service": pin.service,
        "date": pin.pinned_on.isoformat(),
        "pinned_at": write_value(pin.pinned_at),
        "pinned_by": pin.pinned_by,
        "note": pin.note,
    }


def pins_answer(pins: Sequence[Pin]) -> dict[str, Any]:
    """All open promises as JSON-ready values."""
    return {"pins": [pin_answer(pin) for pin in pins]}
