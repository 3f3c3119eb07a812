"""What the API's answers about rows of cans look like."""

from tracelog.cases.sequence.rules import StepKind
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

_PART = fields({"station": TEXT, "part": TEXT, "count": COUNT, "can_show": YES_NO})
_SCAN = fields({"every": COUNT, "place": COUNT, "chance": NUMBER, "is_exact": YES_NO})
ROW: Shape = fields(
    {
        "line": COUNT,
        "taken_after": TEXT,
        "cans": TEXT,
        "seen": COUNT,
        "bad": COUNT,
        "sentence": TEXT,
        "chance": NUMBER,
        "every_can": NUMBER,
        "numbers": many(
            fields({"every": COUNT, "probability": NUMBER, "points_to": TEXT, "parts": many(_PART)})
        ),
        "repeats": many(
            fields(
                {
                    "every": COUNT,
                    "places": many(COUNT),
                    "probability": NUMBER,
                    "bad": COUNT,
                    "seen": COUNT,
                }
            )
        ),
        "slip": maybe(
            fields(
                {"behind_can": COUNT, "is_lost": YES_NO, "probability": NUMBER, "sentence": TEXT}
            )
        ),
        "by_chance": maybe(_SCAN),
        "by_chance_known": maybe(_SCAN),
        "next": fields(
            {
                "kind": words(*StepKind),
                "cans": COUNT,
                "first_can": maybe(COUNT),
                "bits": NUMBER,
                "sentence": TEXT,
            }
        ),
        "caution": TEXT,
    }
)
_CHECK: dict[str, Shape] = {
    "id": ID,
    "line": COUNT,
    "defect": TEXT,
    "taken_after": TEXT,
    "taken_at": INSTANT,
    "cans": TEXT,
    "seen": COUNT,
    "bad": COUNT,
    "note": maybe(TEXT),
    "written_at": INSTANT,
    "by": TEXT,
}
CHECKS: Shape = fields({"sequence_checks": many(fields(_CHECK))})
CHECK: Shape = fields({**_CHECK, "answer": ROW})
