"""What the forms of a hold's page send, as steps."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.facts import derived_id
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.trace.holds.facts import HoldStepFact, StepKind, pallet_numbers
from tracelog.trace.holds.queries import HoldView
from tracelog.trace.suspects.queries import SuspectQuestion, suspect_pallets
from tracelog.trace.suspects.rules import USUAL_RISK

PALLET_FIELDS = ("id", "which", "step", "at", "place", "inspected", "defective", "reason")
EXTEND_FIELDS = ("id", "made_from", "made_to", "at", "pallets", "from_pallet", "reach", "reason")
NOTE_FIELDS = ("id", "step", "at", "reason")
# Fields of the form of pallets that go into each step as they are.
_TOLD = ("step", "at", "place", "inspected", "defective", "reason")


def _step(hold: HoldView, form_id: str, values: Mapping[str, Any], zone: ZoneInfo) -> HoldStepFact:
    """A step whose id follows from the form's own, so that what is sent twice is kept once."""
    about = {"form": form_id, "step": values.get("step"), "pallet": values.get("pallet")}
    key = str(derived_id("step of a form", about))
    return HoldStepFact.read({"id": key, "hold": str(hold.id), **values}, zone)


def pallet_steps(
    hold: HoldView, values: Mapping[str, str], ticked: Sequence[str], zone: ZoneInfo
) -> list[HoldStepFact]:
    """The same step for each pallet that was ticked, or for all that are on hold.

    Raises:
        TracelogError: none is meant.
        BadFact: a field is wrong.
    """
    chosen = [one.pallet for one in hold.held] if values["which"] == "all" else list(ticked)
    if not chosen:
        raise TracelogError(_("tick the pallets in the list, or choose all that are on hold"))
    told = {name: values[name] for name in _TOLD}
    return [_step(hold, values["id"], {**told, "pallet": one}, zone) for one in chosen]


def extension_steps(
    session: Session, hold: HoldView, values: Mapping[str, str], zone: ZoneInfo, now: datetime
) -> list[HoldStepFact]:
    """A new window, and the pallets that it or the person adds to a hold.

    Raises:
        TracelogError: nothing is changed, or a field is wrong.
    """
    said = {"at": values["at"], "reason": values["reason"]}
    steps: list[HoldStepFact] = []
    ends = {name: values[name] for name in ("made_from", "made_to") if values[name]}
    if ends:
        widened = _step(hold, values["id"], {"step": "widened", **ends, **said}, zone)
        if _is_smaller(widened, hold):
            widened = _step(hold, values["id"], {"step": "narrowed", **ends, **said}, zone)
        if _changes(widened, hold):
            steps.append(widened)
    try:
        named: dict[str, dict[str, Any]] = {
            one: {} for one in pallet_numbers(values["pallets"] or "")
        }
    except ValueError as problem:
        raise TracelogError(str(problem), "pallets") from None
    if values["reach"] == "yes":
        named |= _reached(session, hold, steps, now)
    inside = {one.pallet for one in hold.held}
    for pallet, expected in named.items():
        if pallet not in inside:
            moved = {"from_pallet": values["from_pallet"]} if values["from_pallet"] else {}
            told = {"step": "held", "pallet": pallet, **said, **moved, **expected}
            steps.append(_step(hold, values["id"], told, zone))
    if not steps:
        raise TracelogError(_("changes nothing; give another window, or pallets to be added"))
    return steps


def _is_smaller(step: HoldStepFact, hold: HoldView) -> bool:
    had = hold.standing
    later = step.made_from is not None and had.made_from is not None
    earlier = step.made_to is not None and had.made_to is not None
    return (later and step.made_from > had.made_from) or (  # type: ignore[operator]
        earlier and step.made_to < had.made_to  # type: ignore[operator]
    )


def _changes(step: HoldStepFact, hold: HoldView) -> bool:
    had = hold.standing
    return (step.made_from or had.made_from) != had.made_from or (
        step.made_to or had.made_to
    ) != had.made_to


def _reached(
    session: Session, hold: HoldView, steps: Sequence[HoldStepFact], now: datetime
) -> dict[str, dict[str, Any]]:
    """Pallets that the hold's window reaches, as it stands after the steps."""
    made_from, made_to = hold.standing.made_from, hold.standing.made_to
    for one in steps:
        made_from, made_to = one.made_from or made_from, one.made_to or made_to
    if hold.machine is None or made_from is None or made_to is None:
        raise TracelogError(
            _("needs a hold with a machine and a whole window; name the pallets instead"), "reach"
        )
    machine = directory(session).machine_named(hold.machine)
    window = suspect_pallets(session, SuspectQuestion(machine.id, made_from, made_to), now)
    risk = USUAL_RISK if hold.accepted_risk is None else hold.accepted_risk
    return {
        one.pallet.pallet: {
            "expected_suspect": one.expected,
            "chance_of_none": one.chance_of_none,
        }
        for one in window.held_at(risk)
    }


def note_step(hold: HoldView, values: Mapping[str, str], zone: ZoneInfo) -> HoldStepFact:
    """A note, or the end of the hold.

    Raises:
        TracelogError: neither is meant.
        BadFact: a field is wrong.
    """
    if values["step"] not in (StepKind.NOTE.value, StepKind.CLOSED.value):
        raise TracelogError(_("is not one of: note, closed"), "step")
    told = {name: values[name] for name in ("step", "at", "reason")}
    return _step(hold, values["id"], told, zone)
