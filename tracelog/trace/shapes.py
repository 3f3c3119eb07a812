"""What the API's answers about tracing look like."""

from tracelog.web.shapes import (
    COUNT,
    ID,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    by_name,
    fields,
    many,
    maybe,
    words,
)

_ENTRY = fields(
    {
        "id": ID,
        "seen_at": INSTANT,
        "occurred_at": INSTANT,
        "defect": TEXT,
        "cans": COUNT,
        "occurrences": maybe(COUNT),
        "inspected": maybe(COUNT),
        "found_at": maybe(TEXT),
        "dome_code": maybe(TEXT),
    }
)
_PALLET = fields(
    {
        "pallet": TEXT,
        "started_at": INSTANT,
        "ended_at": maybe(INSTANT),
        "cans": maybe(COUNT),
        "status": maybe(TEXT),
    }
)
DOSSIER = fields(
    {
        "code": maybe(TEXT),
        "at": maybe(INSTANT),
        "made": fields({"from": INSTANT, "to": INSTANT, "basis": TEXT}),
        "candidates": many(
            fields({"machine": TEXT, "probability": {**NUMBER, "minimum": 0, "maximum": 1}})
        ),
        "machine": maybe(TEXT),
        "line": maybe(COUNT),
        "strokes_total": maybe(COUNT),
        "strokes_since_service": by_name(COUNT),
        "tools": many(
            fields(
                {
                    "serial": TEXT,
                    "tool_type": maybe(TEXT),
                    "position": TEXT,
                    "fitted_at": INSTANT,
                    "strokes_on_tool": COUNT,
                    "strokes_since_work": COUNT,
                }
            )
        ),
        "coils": many(
            fields(
                {
                    "coil": TEXT,
                    "alloy": maybe(TEXT),
                    "gauge_mm": maybe(NUMBER),
                    "started_at": INSTANT,
                    "ended_at": maybe(INSTANT),
                }
            )
        ),
        "crew": maybe(TEXT),
        "shift": maybe(TEXT),
        "defects_nearby": many(_ENTRY),
        "services": many(
            fields({"service": TEXT, "done_at": INSTANT, "unplanned": YES_NO, "note": maybe(TEXT)})
        ),
        "changes": many(
            fields(
                {
                    "at": INSTANT,
                    "kind": TEXT,
                    "line": COUNT,
                    "machine": maybe(TEXT),
                    "note": maybe(TEXT),
                }
            )
        ),
        "pallets": many(_PALLET),
    }
)
WHERE_USED = fields(
    {
        "kind": words("tool", "coil", "machine"),
        "name": TEXT,
        "from": INSTANT,
        "to": INSTANT,
        "strokes": COUNT,
        "uses": many(
            fields(
                {
                    "machine": TEXT,
                    "position": maybe(TEXT),
                    "from": INSTANT,
                    "to": maybe(INSTANT),
                    "strokes": COUNT,
                    "entries": COUNT,
                    "cans": COUNT,
                }
            )
        ),
        "entries": many(_ENTRY),
        "entries_cut": YES_NO,
        "pallets": many(_PALLET),
        "pallets_cut": YES_NO,
    }
)
