"""What the API's answers about the log look like."""

from tracelog.web.shapes import COUNT, ID, INSTANT, NUMBER, TEXT, YES_NO, Shape, fields, many, maybe

_ENTRY_FIELDS: dict[str, Shape] = {
    "id": ID,
    "seen_at": INSTANT,
    "dome_code": maybe(TEXT),
    "defect": TEXT,
    "cans": COUNT,
    "occurrences": maybe(COUNT),
    "inspected": maybe(COUNT),
    "found_at": maybe(TEXT),
    "made_at": maybe(INSTANT),
    "coil": maybe(TEXT),
    "pallet": maybe(TEXT),
    "mark": maybe(TEXT),
    "note": maybe(TEXT),
    "logged_by": maybe(TEXT),
    "logged_at": INSTANT,
    "tablet_clock_error_s": maybe(NUMBER),
    "machine": maybe(TEXT),
    "candidates": many(TEXT),
    "line": maybe(COUNT),
    "occurred_at": INSTANT,
    "counted_occurrences": COUNT,
    "defect_name": TEXT,
    "severity": maybe(TEXT),
    "corrections": COUNT,
}
ENTRY = fields(_ENTRY_FIELDS)
PAGE = fields({"defects": many(ENTRY), "cursor": maybe(TEXT)})
CORRECTION = fields(
    {
        "id": ID,
        "corrected_at": INSTANT,
        "corrected_by": TEXT,
        "reason": TEXT,
        "withdrawn": YES_NO,
        "changes": many(fields({"field": TEXT, "before": TEXT, "after": TEXT})),
    }
)
RECORD = fields(
    {**_ENTRY_FIELDS, "withdrawn": YES_NO, "logged": ENTRY, "history": many(CORRECTION)}
)
