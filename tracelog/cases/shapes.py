"""What the API's answers about cases look like."""

from tracelog.cases.explain.shapes import EXPLAINED
from tracelog.cases.facts import StepKind
from tracelog.cases.links.facts import TARGETS
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
        "share_without_explanation": NUMBER,
        "probability_where_it_points": NUMBER,
    }
)
_LINK = fields(
    {
        "id": ID,
        "target": words(*TARGETS),
        "name": TEXT,
        "target_id": ID,
        "at": maybe(INSTANT),
        "note": maybe(TEXT),
        "by": TEXT,
        "written_at": INSTANT,
    }
)
_COST = fields(
    {
        "cans": COUNT,
        "cans_at_usual_rate": maybe(NUMBER),
        "cans_above_usual": maybe(NUMBER),
        "entries": COUNT,
        "strokes": COUNT,
        "scrapped_strokes": COUNT,
        "minutes_down": maybe(COUNT),
        "strokes_not_made": maybe(COUNT),
        "pallets_on_hold": COUNT,
        "cans_on_hold": COUNT,
    }
)
_SIMILAR = fields(
    {
        "id": ID,
        "title": TEXT,
        "state": words(*State),
        "place": TEXT,
        "defect": TEXT,
        "opened_at": INSTANT,
        "score": NUMBER,
        "same_defect": YES_NO,
        "same_machine": YES_NO,
        "tool_types": many(TEXT),
        "words": NUMBER,
        "confirmed": many(TEXT),
        "fixed_by": maybe(TEXT),
    }
)
_POINT = fields(
    {
        "at": INSTANT,
        "strokes": COUNT,
        "happenings": COUNT,
        "expected": NUMBER,
        "limit": maybe(COUNT),
    }
)
_KEPT = fields({"from": INSTANT, "to": INSTANT, "made_at": INSTANT, "answer": EXPLAINED})
CASES = fields(
    {
        "cases": many(fields({**_CASE_FIELDS, "age_days": NUMBER})),
        "next_cursor": maybe(TEXT),
    }
)
WHOLE = fields(
    {
        **_CASE_FIELDS,
        "numbers": _NUMBERS,
        "causes": many(_CAUSE),
        "links": many(_LINK),
        "cost": _COST,
        "similar": many(_SIMILAR),
        "since_action": many(_POINT),
        "explanation_at_opening": maybe(_KEPT),
    }
)
BESIDE = fields(
    {
        "at_opening": maybe(_KEPT),
        "now": _KEPT,
        "beside": many(
            fields({"what": TEXT, "then": maybe(NUMBER), "now": maybe(NUMBER), "became": TEXT})
        ),
    }
)
