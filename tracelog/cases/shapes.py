"""What the API's answers about cases look like."""

from tracelog.cases.facts import StepKind
from tracelog.cases.queries import State
from tracelog.cases.rules import Verdict
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
        "kind": words(*StepKind),
        "at": INSTANT,
        "text": TEXT,
        "by": TEXT,
        "minutes_down": maybe(COUNT),
        "change": maybe(TEXT),
    }
)
_CASE_FIELDS: dict[str, Shape] = {
    "id": ID,
    "title": TEXT,
    "defect": TEXT,
    "place": TEXT,
    "since_at": INSTANT,
    "opened_at": INSTANT,
    "opened_by": TEXT,
    "state": words(*State),
    "came_back_at": maybe(INSTANT),
    "steps": many(_STEP),
}
_SIDE = fields({"happenings": COUNT, "strokes": COUNT, "per_million": maybe(NUMBER)})
_NUMBERS = fields(
    {
        "verdict": words(*Verdict),
        "before": _SIDE,
        "after": _SIDE,
        "rate_ratio": maybe(NUMBER),
        "rate_ratio_low": maybe(NUMBER),
        "rate_ratio_high": maybe(NUMBER),
        "probability_fell": maybe(NUMBER),
        "p_fell": maybe(NUMBER),
        "strokes_needed": maybe(COUNT),
        "evidence": maybe(NUMBER),
        "probability_halved": maybe(NUMBER),
        "strokes_to_halved": maybe(COUNT),
    }
)
_CAUSE = fields(
    {
        "cause": TEXT,
        "check": TEXT,
        "remedy": TEXT,
        "confirmed_in_cases": COUNT,
        "share": NUMBER,
        "confirmed_here": YES_NO,
    }
)
CASES = fields({"cases": many(fields(_CASE_FIELDS))})
STANDING = fields({**_CASE_FIELDS, "numbers": _NUMBERS, "causes": many(_CAUSE)})
