"""What the API's answers about counters look like."""

from tracelog.strokes.facts import Verdict
from tracelog.strokes.question_rules import QuestionKind
from tracelog.web.shapes import COUNT, INSTANT, NUMBER, TEXT, YES_NO, fields, many, maybe, words

_QUESTION = fields(
    {
        "machine": TEXT,
        "kind": words(*QuestionKind),
        "from_at": {**maybe(INSTANT), "description": "of a silence: when it was last read"},
        "to_at": maybe(INSTANT),
        "from_strokes": maybe(COUNT),
        "to_strokes": maybe(COUNT),
        "strokes_estimated": {
            **maybe(COUNT),
            "description": "at the machine's mean pace of the 28 days before",
        },
        "strokes_shown": {
            **maybe(COUNT),
            "description": "what the counter rose, or its fall as a roll-over",
        },
        "usual_hours": {
            **maybe(NUMBER),
            "description": "of a silence: how far apart its readings usually are",
        },
        "last_settled_at": {
            **maybe(INSTANT),
            "description": "of the last settlement, which does not stand; send it with the next",
        },
    }
)
_SETTLED = fields(
    {
        "machine": TEXT,
        "to_at": INSTANT,
        "settled_at": INSTANT,
        "verdict": words(Verdict.MADE, Verdict.MISREAD),
        "from_at": maybe(INSTANT),
        "strokes": maybe(COUNT),
        "settled_by": maybe(TEXT),
        "note": maybe(TEXT),
        "in_force": {
            **YES_NO,
            "description": "whether it counts: the stretch is the one that it is about",
        },
    }
)
QUESTIONS = fields({"as_of": INSTANT, "questions": many(_QUESTION)})
QUESTIONS["properties"]["settled"] = many(_SETTLED)
