"""What the API's answers about stock on hold look like."""

from tracelog.trace.holds.facts import StepKind
from tracelog.web.shapes import (
    COUNT,
    ID,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    Shape,
    fields,
    many,
    maybe,
    words,
)

_SUMMARY: dict[str, Shape] = {
    "id": ID,
    "number": COUNT,
    "state": words("open", "closed"),
    "reason": TEXT,
    "defect": maybe(TEXT),
    "line": maybe(COUNT),
    "machine": maybe(TEXT),
    "made_from": maybe(INSTANT),
    "made_to": maybe(INSTANT),
    "accepted_risk": maybe(NUMBER),
    "raised_at": INSTANT,
    "raised_by": TEXT,
    "pallets": COUNT,
    "on_hold": COUNT,
    "cans_on_hold": COUNT,
    "found": COUNT,
    "missing": COUNT,
    "released": COUNT,
    "conceded": COUNT,
    "scrapped": COUNT,
    "expected_suspect": maybe(NUMBER),
}
_PALLET = fields(
    {
        "pallet": TEXT,
        "state": words("held", "missing", "released", "conceded", "scrapped"),
        "on_record": YES_NO,
        "line": maybe(COUNT),
        "started_at": maybe(INSTANT),
        "ended_at": maybe(INSTANT),
        "cans": maybe(COUNT),
        "held_at": INSTANT,
        "held_by": TEXT,
        "expected_suspect": maybe(NUMBER),
        "chance_of_none": maybe(NUMBER),
        "found": YES_NO,
        "place": maybe(TEXT),
        "decided_at": maybe(INSTANT),
        "decided_by": maybe(TEXT),
        "decision_reason": maybe(TEXT),
        "also_in": many(COUNT),
    }
)
_STEP = fields(
    {
        "id": ID,
        "step": words(*StepKind),
        "pallet": maybe(TEXT),
        "at": INSTANT,
        "written_at": INSTANT,
        "by": TEXT,
        "reason": maybe(TEXT),
        "place": maybe(TEXT),
        "inspected": maybe(COUNT),
        "defective": maybe(COUNT),
        "could_see": maybe(YES_NO),
        "made_from": maybe(INSTANT),
        "made_to": maybe(INSTANT),
    }
)
HOLDS = fields({"holds": many(fields(_SUMMARY)), "before": maybe(COUNT)})
HOLD = fields({**_SUMMARY, "list": many(_PALLET), "steps": many(_STEP)})
