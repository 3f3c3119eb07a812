"""What the API's answers about the plan of services look like."""

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
)

_PIN = {
    "id": ID,
    "machine": TEXT,
    "service": TEXT,
    "date": DAY,
    "pinned_at": INSTANT,
    "pinned_by": maybe(TEXT),
    "note": maybe(TEXT),
}
PINS = fields({"pins": many(fields(_PIN))})
PLAN = fields(
    {
        "as_of": INSTANT,
        "crews": COUNT,
        "horizon_days": COUNT,
        "services": many(
            fields(
                {
                    "machine": TEXT,
                    "service": TEXT,
                    "date": DAY,
                    "due": maybe(DAY),
                    "strokes_unused": COUNT,
                    "until": DAY,
                    "line": COUNT,
                    "hours": maybe(NUMBER),
                    "people": maybe(COUNT),
                    "crews": many(COUNT),
                    "chance_late": NUMBER,
                    "strokes_late": COUNT,
                    "strokes_lost": COUNT,
                    "in_stop": YES_NO,
                    "also": many(TEXT),
                    "pinned": YES_NO,
                    "pin": maybe(ID),
                }
            )
        ),
        "not_placed": many(fields({"machine": TEXT, "why": TEXT, "service": TEXT, "due": DAY})),
        "cost": NUMBER,
        "cost_parts": fields(
            {"unused": NUMBER, "late": NUMBER, "lost": NUMBER, "after_last": NUMBER}
        ),
        "optimal": YES_NO,
        "gap": NUMBER,
        "unpinned_cost": maybe(NUMBER),
        "pins_not_kept": many(fields({**_PIN, "why": TEXT})),
        "pins_beyond": many(fields(_PIN)),
        "left_out": many(fields({"machine": TEXT, "service": TEXT, "why": TEXT})),
    }
)
PLANNING = fields({"settings": many(fields({"setting": TEXT, "value": TEXT}))})
