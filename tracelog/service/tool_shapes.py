"""What the API's answers about tools look like."""

from tracelog.plant.tool_facts import ToolWorkKind
from tracelog.service.tool_histories import ToolState
from tracelog.web.shapes import COUNT, INSTANT, NUMBER, TEXT, YES_NO, fields, many, maybe, words

_SHORT = {
    "serial": TEXT,
    "tool_type": maybe(TEXT),
    "state": words(*(state.value for state in ToolState)),
    "machine": maybe(TEXT),
    "position": maybe(TEXT),
    "fitted_at": maybe(INSTANT),
    "strokes_on_tool": COUNT,
    "on_tool_at_least": YES_NO,
    "strokes_since_work": COUNT,
    "since_work_at_least": YES_NO,
    "works": COUNT,
    "life_strokes": maybe(COUNT),
    "share_used": maybe(NUMBER),
}
TOOLS = fields({"as_of": INSTANT, "tools": many(fields(_SHORT))})
_CYCLE = fields(
    {
        "number": COUNT,
        "machine": TEXT,
        "position": TEXT,
        "started_at": INSTANT,
        "ended_at": maybe(INSTANT),
        "end_reason": maybe(TEXT),
        "entry_strokes": maybe(COUNT),
        "strokes": COUNT,
        "at_least": YES_NO,
    }
)
_STAY = fields(
    {
        "machine": TEXT,
        "position": TEXT,
        "fitted_at": INSTANT,
        "removed_at": maybe(INSTANT),
        "removal_reason": maybe(TEXT),
        "strokes": COUNT,
        "at_least": YES_NO,
    }
)
_WORK = fields(
    {
        "done_at": INSTANT,
        "work": words(*(kind.value for kind in ToolWorkKind)),
        "strokes_before": maybe(COUNT),
        "strokes_before_since_work": maybe(COUNT),
        "size_mm": maybe(NUMBER),
        "note": maybe(TEXT),
    }
)
TOOL_CARD = fields(
    {
        "as_of": INSTANT,
        **_SHORT,
        "note": maybe(TEXT),
        "usual_works_low": maybe(COUNT),
        "usual_works_high": maybe(COUNT),
        "cycles": many(_CYCLE),
        "stays": many(_STAY),
        "tool_works": many(_WORK),
    }
)
