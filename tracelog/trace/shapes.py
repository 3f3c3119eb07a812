"""What the API's answers about tracing look like."""

from tracelog.trace.where_used_stretches import KINDS
from tracelog.trends.signals.shapes import SIGNAL
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
_PALLET_FIELDS = {
    "pallet": TEXT,
    "started_at": INSTANT,
    "ended_at": maybe(INSTANT),
    "cans": maybe(COUNT),
    "status": maybe(TEXT),
}
_PALLET = fields(_PALLET_FIELDS)
_STOP = {
    "machine": TEXT,
    "position": TEXT,
    "from": INSTANT,
    "to": maybe(INSTANT),
}
_CHANCE = {**NUMBER, "minimum": 0, "maximum": 1}
_LAID = fields({**_PALLET_FIELDS, "probability": maybe(_CHANCE), "holds": many(COUNT)})
_TOOL = fields(
    {
        "serial": TEXT,
        "tool_type": maybe(TEXT),
        "position": TEXT,
        "fitted_at": INSTANT,
        "strokes_on_tool": COUNT,
        "strokes_since_work": COUNT,
        "earlier": many(fields({**_STOP, "removal_reason": maybe(TEXT), "strokes": COUNT})),
    }
)
_COIL = {
    "coil": TEXT,
    "alloy": maybe(TEXT),
    "gauge_mm": maybe(NUMBER),
    "started_at": INSTANT,
    "ended_at": maybe(INSTANT),
}
_MEASURED = fields(
    {
        "characteristic": TEXT,
        "measured_at": INSTANT,
        "mean": NUMBER,
        "unit": maybe(TEXT),
        "values": COUNT,
    }
)
_WAY = fields(
    {
        "shortest_minutes": NUMBER,
        "longest_minutes": NUMBER,
        "basis": TEXT,
        "learned_from": COUNT,
    }
)
# Code and reason stand there only where something is in doubt.
_CANDIDATE = {
    **fields({"machine": TEXT, "probability": _CHANCE}),
    "properties": {"machine": TEXT, "probability": _CHANCE, "code": TEXT, "reason": TEXT},
}
DOSSIER = fields(
    {
        "code": maybe(TEXT),
        "at": maybe(INSTANT),
        "made": fields({"from": INSTANT, "to": INSTANT, "basis": TEXT}),
        "candidates": many(_CANDIDATE),
        "dropped": many(fields({"code": TEXT, "machine": maybe(TEXT), "reason": TEXT})),
        "doubt": maybe(TEXT),
        "contradiction": maybe(
            fields(
                {
                    "says": TEXT,
                    "if_the_code_is_right": many(_CANDIDATE),
                    "if_pallet_or_coil_is_right": many(_CANDIDATE),
                }
            )
        ),
        "machine": maybe(TEXT),
        "line": maybe(COUNT),
        "strokes_total": maybe(COUNT),
        "strokes_since_service": by_name(COUNT),
        "tools": many(_TOOL),
        "coils": many(fields(_COIL)),
        "other_coil_runs": many(fields({**_COIL, "line": COUNT})),
        "crew": maybe(TEXT),
        "shift": maybe(TEXT),
        "defects_nearby": many(_ENTRY),
        "defects_nearby_cut": YES_NO,
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
        "signals": many(SIGNAL),
        "measurements": many(_MEASURED),
        "pallets": many(_LAID),
        "not_on_these_pallets": maybe(_CHANCE),
        "way": maybe(_WAY),
    }
)
WHERE_USED = fields(
    {
        "kind": words(*KINDS),
        "name": TEXT,
        "from": INSTANT,
        "to": INSTANT,
        "hours": NUMBER,
        "strokes": COUNT,
        "cans": COUNT,
        "uses": many(
            fields(
                {
                    "machine": TEXT,
                    "position": maybe(TEXT),
                    "from": INSTANT,
                    "to": maybe(INSTANT),
                    "hours": NUMBER,
                    "shift": maybe(TEXT),
                    "strokes": COUNT,
                    "entries": COUNT,
                    "cans": COUNT,
                }
            )
        ),
        "moves": many(
            fields(
                {
                    "serial": TEXT,
                    "tool_type": maybe(TEXT),
                    **_STOP,
                    "removal_reason": maybe(TEXT),
                    "came_from": maybe(fields(_STOP)),
                    "went_to": maybe(fields(_STOP)),
                }
            )
        ),
        "entries": many(_ENTRY),
        "entries_total": COUNT,
        "entries_cut": YES_NO,
        "pallets": many(_PALLET),
        "pallets_total": COUNT,
        "pallets_cut": YES_NO,
    }
)
_EPCIS_EVENT = fields(
    {
        "type": words("ObjectEvent", "AggregationEvent", "TransformationEvent"),
        "eventID": TEXT,
        "eventTime": INSTANT,
        "eventTimeZoneOffset": TEXT,
        "bizStep": TEXT,
        "disposition": TEXT,
        "readPoint": fields({"id": TEXT}),
        "bizLocation": fields({"id": TEXT}),
    }
)
EPCIS_DOCUMENT = fields(
    {
        "@context": many({}),
        "type": words("EPCISDocument"),
        "schemaVersion": words("2.0"),
        "creationDate": INSTANT,
        "epcisBody": fields({"eventList": many(_EPCIS_EVENT)}),
    }
)
