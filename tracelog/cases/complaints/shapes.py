"""What the API's answers about complaints look like."""

from tracelog.cases.complaints.facts import CORRECTABLE, Certainty, StepKind
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

_STEP = fields(
    {
        "id": ID,
        "step": words(*StepKind),
        "at": INSTANT,
        "written_at": INSTANT,
        "by": TEXT,
        "text": maybe(TEXT),
        "changes": many(fields({"field": TEXT, "before": maybe(TEXT), "after": maybe(TEXT)})),
        "hold": maybe(COUNT),
        "case": maybe(ID),
        "photo": maybe(ID),
    }
)
_COMPLAINT: dict[str, Shape] = {
    "id": ID,
    "number": COUNT,
    "state": words("open", "closed"),
    "received_at": INSTANT,
    "customer_reference": maybe(TEXT),
    "code": maybe(TEXT),
    "certainty": maybe(words(*Certainty)),
    "pallet": maybe(TEXT),
    "coil": maybe(TEXT),
    "time_code": maybe(TEXT),
    "made_from": maybe(INSTANT),
    "made_to": maybe(INSTANT),
    "defect": maybe(TEXT),
    "cans": maybe(COUNT),
    "cans_run": maybe(COUNT),
    "note": maybe(TEXT),
    "as_it_arrived": fields({name: maybe(TEXT) for name in CORRECTABLE}),
    "answered_at": maybe(INSTANT),
    "hours_to_answer": NUMBER,
    "late": YES_NO,
    "photos": many(ID),
    "written_at": INSTANT,
    "written_by": TEXT,
    "steps": many(_STEP),
}
_PALLET = fields(
    {
        "pallet": TEXT,
        "line": COUNT,
        "started_at": INSTANT,
        "ended_at": maybe(INSTANT),
        "cans": maybe(COUNT),
        "expected": maybe(NUMBER),
        "chance_of_none": maybe(NUMBER),
        "holds": many(COUNT),
    }
)
_ANSWER = fields(
    {
        "candidates": many(fields({"machine": TEXT, "probability": NUMBER})),
        "weighed_by_strokes": YES_NO,
        "made_from": maybe(INSTANT),
        "made_to": maybe(INSTANT),
        "basis": maybe(TEXT),
        "runs": many(fields({"machine": TEXT, "from": INSTANT, "to": INSTANT, "strokes": COUNT})),
        "runs_cut": COUNT,
        "pallets": many(_PALLET),
        "pallets_cut": COUNT,
        "tell_quality_authority": YES_NO,
        "ask_for_seam_data": YES_NO,
        "problems": many(TEXT),
    }
)
COMPLAINTS = fields({"complaints": many(fields(_COMPLAINT)), "before": maybe(COUNT)})
COMPLAINT = fields({**_COMPLAINT, "answer": _ANSWER})
