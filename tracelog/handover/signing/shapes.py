"""What the API's answers about signatures look like."""

from tracelog.handover.shapes import SHIFT
from tracelog.handover.signing.queries import Signed
from tracelog.web.shapes import COUNT, DAY, ID, INSTANT, TEXT, Shape, fields, many, maybe, words

_SIGNATURE = maybe(
    fields({"id": ID, "signed_at": INSTANT, "signed_by": TEXT, "words": maybe(TEXT)})
)
_STATE = words(*Signed)
_SIGNED = fields(
    {
        "state": _STATE,
        "outgoing": _SIGNATURE,
        "incoming": _SIGNATURE,
        "since_signed": maybe(TEXT),
    }
)
SIGNED_SHIFT: Shape = fields({**SHIFT["properties"], "signed": _SIGNED})
SHIFTS: Shape = fields(
    {
        "shifts": many(
            fields(
                {
                    "shift": TEXT,
                    "crew": maybe(TEXT),
                    "day": DAY,
                    "started_at": INSTANT,
                    "ended_at": INSTANT,
                    "state": _STATE,
                    "handed_over_by": maybe(TEXT),
                    "taken_over_by": maybe(TEXT),
                    "entries": COUNT,
                    "cans": COUNT,
                }
            )
        )
    }
)
