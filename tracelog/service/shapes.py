"""What the API's answers about service look like."""

from tracelog.web.shapes import (
    COUNT,
    DAY,
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

_DUE = {
    "due_early": maybe(DAY),
    "due": maybe(DAY),
    "due_late": maybe(DAY),
    "due_by": words("strokes", "days", "never"),
}
FORECAST = fields(
    {
        "as_of": INSTANT,
        "machines": many(
            fields(
                {
                    "machine": TEXT,
                    "service": TEXT,
                    "strokes_since": COUNT,
                    "interval_strokes": maybe(COUNT),
                    "strokes_per_day": COUNT,
                    **_DUE,
                    "since_known": YES_NO,
                    "idle_since": maybe(INSTANT),
                }
            )
        ),
        "tools": many(
            fields(
                {
                    "serial": TEXT,
                    "machine": TEXT,
                    "position": TEXT,
                    "strokes_since": COUNT,
                    "interval_strokes": COUNT,
                    **_DUE,
                }
            )
        ),
    }
)
_SERVICE = fields(
    {
        "service": TEXT,
        "done_at": maybe(INSTANT),
        "strokes_since": COUNT,
        "interval_strokes": maybe(COUNT),
        "interval_days": maybe(COUNT),
        "share_used": maybe(NUMBER),
        "strokes_per_day": COUNT,
        **_DUE,
    }
)
_TOOL = fields(
    {
        "serial": TEXT,
        "tool_type": maybe(TEXT),
        "position": TEXT,
        "fitted_at": INSTANT,
        "strokes_here": COUNT,
        "strokes_on_tool": COUNT,
        "on_tool_at_least": YES_NO,
        "strokes_since_work": COUNT,
        "since_work_at_least": YES_NO,
        "works": COUNT,
        "life_strokes": maybe(COUNT),
        "share_used": maybe(NUMBER),
        **_DUE,
    }
)
MACHINE: dict[str, Shape] = {
    "machine": TEXT,
    "line": COUNT,
    "station": TEXT,
    "number": COUNT,
    "name": maybe(TEXT),
    "counter_max": maybe(COUNT),
    "rated_spm": maybe(NUMBER),
    "strokes_total": maybe(COUNT),
    "last_reading": maybe(fields({"read_at": INSTANT, "strokes": COUNT})),
    "services": many(_SERVICE),
    "tools": many(_TOOL),
    "counter_questions": many(
        fields({"from": INSTANT, "to": INSTANT, "strokes_from": COUNT, "strokes_to": COUNT})
    ),
}
