"""What the forms of a complaint's page send."""

import json
from collections.abc import Mapping
from contextlib import suppress
from zoneinfo import ZoneInfo

from tracelog.cases.complaints.facts import (
    CORRECTABLE,
    NEEDED,
    ComplaintFact,
    ComplaintStepFact,
    StepKind,
    values_of,
)
from tracelog.cases.complaints.queries import ComplaintView
from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.facts import whole_number
from tracelog.instants import parse_instant
from tracelog.language import _
from tracelog.web.numbers import for_field

COMPLAINT_FIELDS = ("id", *CORRECTABLE)
CORRECTION_FIELDS = ("id", *CORRECTABLE, "text", "corrections")
STEP_FIELDS = ("id", "step", "at", "text", "hold", "case")
_INSTANTS = ("received_at", "made_from", "made_to")
# What is offered as a step; a correction and a photo have forms of their own.
OFFERED = (
    *(StepKind.NOTE, StepKind.ANSWERED, StepKind.PROMISED, StepKind.TOLD),
    *(StepKind.HELD, StepKind.CASE, StepKind.CLOSED),
)


def in_plant_time(values: Mapping[str, str], zone: ZoneInfo) -> dict[str, str]:
    """Values with their instants as fields of date and time take them."""
    told = dict(values)
    for name in _INSTANTS:
        with suppress(ValueError):
            told[name] = for_field(parse_instant(told[name], zone), zone) if told[name] else ""
    return told


def as_shown(complaint: ComplaintView, seen: int, zone: ZoneInfo) -> dict[str, str]:
    """The form as it was shown to somebody who saw the first `seen` corrections."""
    values = values_of(complaint.original)
    for one in complaint.of(StepKind.CORRECTED)[:seen]:
        values |= {change.field: change.after for change in one.changes}
    return in_plant_time(values, zone) | {"corrections": str(seen)}


def correction_of(
    complaint: ComplaintView, values: Mapping[str, str], zone: ZoneInfo, at: str
) -> tuple[ComplaintStepFact, int]:
    """The correction that was made on a form, and how many corrections its page knew.

    Only what differs from what the page showed, so that the same form sent twice is the same
    correction, also where somebody else corrected something in between.

    Raises:
        BadFact: a field is wrong, at its own name.
        TracelogError: nothing is changed.
    """
    try:
        seen = whole_number(values["corrections"], 0, 10**6)
    except ValueError:
        seen = complaint.corrections
    shown = as_shown(complaint, seen, zone)
    changed = {
        name: values[name].replace("\r\n", "\n")
        for name in CORRECTABLE
        if values[name].replace("\r\n", "\n") != shown[name]
    }
    if not changed:
        raise TracelogError(_("changes nothing; write another value in a field"))
    # Each field is checked as it will stand, and told at its name.
    checked = values_of(ComplaintFact.read({**shown_values(shown), **changed}, zone))
    sent = {
        "id": values["id"],
        "complaint": str(complaint.id),
        "step": StepKind.CORRECTED.value,
        "at": at,
        "text": values["text"],
        "changes": json.dumps({name: checked[name] for name in changed}),
    }
    return ComplaintStepFact.read(sent, zone), seen


def shown_values(shown: Mapping[str, str]) -> dict[str, str]:
    """The fields of a complaint among those of its form."""
    return {name: shown[name] for name in CORRECTABLE}


def step_of(
    complaint: ComplaintView, values: Mapping[str, str], zone: ZoneInfo
) -> ComplaintStepFact:
    """A step from the form; fields that do not belong to it are left out.

    Raises:
        BadFact: a field is wrong.
    """
    known = {one.value for one in (*OFFERED, StepKind.REOPENED)}
    if values["step"] not in known:
        raise BadFact((Fault("step", _("is not one of: %(known)s", known=", ".join(known))),))
    needed = NEEDED.get(StepKind(values["step"]), ())
    told = {name: values[name] for name in ("id", "step", "at", "text", *needed)}
    return ComplaintStepFact.read({"complaint": str(complaint.id), **told}, zone)
