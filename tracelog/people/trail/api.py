"""The API's call for the audit trail."""

from flask import Blueprint, Response

from tracelog.people.trail.answers import trail_answer
from tracelog.people.trail.queries import trail
from tracelog.people.trail.reading import FILTERS, HIGHEST, read_filter
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_MOMENT,
    COUNT,
    ID,
    INSTANT,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
    fields,
    many,
    maybe,
)
from tracelog.web.strict_json import answer_json

trail_api = Blueprint("trail_api", __name__, url_prefix="/api/v1")
MOST = 1000
_RECORD = fields(
    {
        "number": COUNT,
        "id": ID,
        "at": INSTANT,
        **dict.fromkeys(("who", "door", "action", "kind", "subject"), TEXT),
        **dict.fromkeys(("before", "after"), maybe(TEXT)),
        **dict.fromkeys(("previous_hash", "hash", "content"), TEXT),
    }
)


@trail_api.get("/audit")
@permit("read audit")
@described(
    Call(
        "Records of the audit trail, the newest first, page by page.",
        answers_with(fields({"records": many(_RECORD), "next_before": maybe(COUNT)})),
        asked=(
            Asked("words", TEXT, "each must stand in what was done, to what, before or after"),
            Asked("who", TEXT, "who acted, the whole name"),
            Asked("door", TEXT, "by which door, such as page, api, command or import"),
            Asked("kind", TEXT, "kind of what it was done to, such as entry"),
            Asked("from", ASKED_MOMENT, "written from then on"),
            Asked("to", ASKED_MOMENT, "written before then"),
            Asked("before", COUNT, "next_before of the page before"),
            Asked("limit", COUNT, "at most so many, from 1 to 1000; usually 100"),
        ),
    )
)
def get_audit() -> Response:
    """A page of the trail."""
    asked = Parameters((*FILTERS, "before", "limit"))
    wanted = read_filter(asked, the_plant_now().zone)
    before, limit = asked.number("before", 1, HIGHEST), asked.number("limit", 1, MOST) or 100
    asked.finish()
    found = trail(current_session(), wanted, limit + 1, before)
    kept = found[:limit]
    more = kept[-1].sequence if len(found) > limit else None
    return answer_json(trail_answer(kept, more))
