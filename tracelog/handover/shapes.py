"""What the API's answer about a shift looks like."""

from tracelog.handover.facts import About
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
    }
)
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
    }
)
