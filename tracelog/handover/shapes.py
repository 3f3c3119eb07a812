"""What the API's answer about a shift looks like."""

from tracelog.handover.facts import About
from tracelog.handover.moved import Happened
from tracelog.web.shapes import (
    COUNT,
    DAY,
    ID,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    fields,
    many,
    maybe,
    words,
)

_NOTE = fields(
    {
        "id": ID,
        "line": maybe(COUNT),
        "about": words(*About),
        "text": TEXT,
        "written_at": INSTANT,
        "written_by": TEXT,
        "settled_at": maybe(INSTANT),
        "settled_by": maybe(TEXT),
        "reason": maybe(TEXT),
    }
)
_STANDS_OUT = fields(
    {
        "machine": TEXT,
        "occurrences": COUNT,
        "strokes": COUNT,
        "usual": NUMBER,
        "rate_ratio": maybe(NUMBER),
        "adjusted_p": NUMBER,
    }
)
_LINE = fields(
    {
        "line": COUNT,
        "strokes": COUNT,
        "read_until": maybe(INSTANT),
        "strokes_per_hour": NUMBER,
        "usual_per_hour": NUMBER,
        "entries": COUNT,
        "cans": COUNT,
        "spoilage": fields(
            {
                "cans": COUNT,
                "per_million": maybe(NUMBER),
                "low": maybe(NUMBER),
                "high": maybe(NUMBER),
                "usual": maybe(NUMBER),
            }
        ),
    }
)
_DEFECT = fields(
    {
        "defect": TEXT,
        "entries": COUNT,
        "occurrences": COUNT,
        "usual": maybe(NUMBER),
        "rate_ratio": maybe(NUMBER),
        "adjusted_p": maybe(NUMBER),
    }
)
_HAPPENED = many(words(*Happened))
MOVED = {
    "signals": many(
        fields(
            {
                "machine": TEXT,
                "defect": TEXT,
                "kind": TEXT,
                "raised_at": INSTANT,
                "happened": _HAPPENED,
                "says": TEXT,
            }
        )
    ),
    "signals_on": COUNT,
    "cases": many(
        fields(
            {
                "id": ID,
                "title": TEXT,
                "place": TEXT,
                "defect": TEXT,
                "state": TEXT,
                "happened": _HAPPENED,
                "steps": COUNT,
            }
        )
    ),
    "cases_open": COUNT,
    "holds": many(
        fields(
            {
                "number": COUNT,
                "reason": TEXT,
                "is_open": YES_NO,
                "pallets_held": COUNT,
                "happened": _HAPPENED,
            }
        )
    ),
    "services_due": many(
        fields(
            {
                "machine": TEXT,
                "service": TEXT,
                "is_overdue": YES_NO,
                "strokes_left": maybe({"type": "integer"}),
                "hours_left": maybe(NUMBER),
            }
        )
    ),
}
_SERVICE = fields(
    {
        "machine": TEXT,
        "service": TEXT,
        "done_at": INSTANT,
        "unplanned": YES_NO,
        "note": maybe(TEXT),
    }
)
_FIT = fields({"machine": TEXT, "position": TEXT, "serial": TEXT, "fitted_at": INSTANT})
_CHANGE = fields({"place": TEXT, "kind": TEXT, "at": INSTANT, "note": maybe(TEXT)})
_COIL = fields({"line": COUNT, "coil": TEXT, "started_at": INSTANT})
_QUESTION = fields(
    {
        "machine": TEXT,
        "from": INSTANT,
        "to": INSTANT,
        "strokes_from": COUNT,
        "strokes_to": COUNT,
    }
)
SHIFT = fields(
    {
        "shift": TEXT,
        "crew": maybe(TEXT),
        "day": DAY,
        "started_at": INSTANT,
        "ended_at": INSTANT,
        "until": INSTANT,
        "notes": many(_NOTE),
        "standing_out": many(_STANDS_OUT),
        "lines": many(_LINE),
        "services": many(_SERVICE),
        "tool_fits": many(_FIT),
        "changes": many(_CHANGE),
        "coils": many(_COIL),
        "counter_questions": many(_QUESTION),
        "defects": many(_DEFECT),
        **MOVED,
    }
)
