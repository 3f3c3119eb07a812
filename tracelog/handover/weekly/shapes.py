"""What the API's answer about a week looks like."""

from tracelog.handover.shapes import MOVED
from tracelog.web.shapes import COUNT, DAY, INSTANT, NUMBER, TEXT, fields, many, maybe, words

_CHANGED = fields(
    {
        "kind": words("defect", "strokes", "spoilage", "overdue", "silent"),
        "place": TEXT,
        "defect": maybe(TEXT),
        "sentence": TEXT,
        "count": maybe(COUNT),
        "usual": maybe(NUMBER),
        "adjusted_p": maybe(NUMBER),
        "evidence": maybe(NUMBER),
        "link": TEXT,
    }
)
_LINE = fields(
    {
        "line": COUNT,
        "strokes": COUNT,
        "usual_strokes": maybe(NUMBER),
        "entries": COUNT,
        "cans": COUNT,
        "spoilage_per_million": maybe(NUMBER),
        "usual_spoilage_per_million": maybe(NUMBER),
    }
)
WEEK = fields(
    {
        "monday": DAY,
        "started_at": INSTANT,
        "ended_at": INSTANT,
        "until": INSTANT,
        "counted_until": INSTANT,
        "compared": COUNT,
        "changed": many(_CHANGED),
        "lines": many(_LINE),
        **MOVED,
        "services_done": COUNT,
        "services_overdue": COUNT,
        "counters_silent": many(fields({"machine": TEXT, "last_read_at": INSTANT})),
        "counter_questions": COUNT,
    }
)
