"""The API's calls for the log."""

import uuid

from flask import Blueprint, Response

from tracelog.defects.actions import correct_entry, log_entries
from tracelog.defects.answers import page_answer, record_answer
from tracelog.defects.facts import CorrectionFact, EntryFact
from tracelog.defects.listing import read_filter
from tracelog.defects.queries import (
    MOST_ENTRIES,
    EntryKind,
    entries,
    entry,
    vocabulary,
)
from tracelog.defects.shapes import PAGE, RECORD
from tracelog.defects.together import log_together
from tracelog.errors import Fault, TracelogError
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.web.by_memory import by_memory
from tracelog.web.collections import id_in_address, keep_one, take
from tracelog.web.parameters import Parameters, WrongParameters
from tracelog.web.request import (
    current_session,
    permit,
    the_plant_now,
)
from tracelog.web.shapes import (
    ASKED_INSTANT,
    ASKED_MOMENT,
    ID,
    KEEP_GOOD,
    KEPT_ONE,
    TEXT,
    Asked,
    Call,
    answers_with,
    collection,
    described,
    words,
)
from tracelog.web.strict_json import answer_json

USUAL_LIMIT = 100
defects_api = Blueprint("defects_api", __name__, url_prefix="/api/v1")


@defects_api.post("/defects")
@permit("log entry")
@by_memory
@described(collection(EntryFact, "Log what was found; without an id it is made from the content."))
def post_defects() -> Response:
    """Log one entry or many."""
    return log_together() or take(EntryFact, log_entries)


_LISTED = Call(
    "Entries as they stand, the latest first; withdrawn ones are left out.",
    answers_with(PAGE),
    asked=(
        Asked("from", ASKED_MOMENT, "when the can was made, or else seen: from then on"),
        Asked("to", ASKED_MOMENT, "before then; a day belongs to the period"),
        Asked("line", {"type": "integer", "minimum": 1, "maximum": 999}, "only of this line"),
        Asked("machine", TEXT, "only of this bodymaker, such as 3-7", several=True),
        Asked("defect", TEXT, "only this kind of defect", several=True),
        Asked("found_at", TEXT, "only what was found at this station"),
        Asked("coil", TEXT, "only with this coil"),
        Asked("pallet", TEXT, "only with this pallet"),
        Asked("kind", words(*EntryKind), "found in production, or in samples"),
        Asked("unsettled", KEEP_GOOD.shape, "1: only those whose machine nobody knows; 0: others"),
        Asked("as_of", ASKED_INSTANT, "only what was known by then"),
        Asked(
            "limit", {"type": "integer", "minimum": 1, "maximum": MOST_ENTRIES}, "how many at most"
        ),
        Asked("cursor", TEXT, "the cursor that came with the entries before"),
    ),
)


@defects_api.get("/defects")
@permit("see")
@described(_LISTED)
def get_defects() -> Response:
    """List entries page by page."""
    several = tuple(one.name for one in _LISTED.asked if one.several)
    asked = Parameters([one.name for one in _LISTED.asked if not one.several], several)
    session = current_session()
    wanted = read_filter(asked, directory(session), vocabulary(session), the_plant_now().zone)
    limit = asked.number("limit", 1, MOST_ENTRIES) or USUAL_LIMIT
    cursor = asked.text("cursor")
    asked.finish()
    try:
        page = entries(session, wanted, limit, cursor)
    except TracelogError as problem:
        if problem.field != "after":
            raise
        raise WrongParameters((Fault("cursor", problem.sentence),)) from None
    return answer_json(page_answer(page))


_WHICH = Asked("entry_id", ID, "the entry's id", place="path")


@defects_api.get("/defects/<entry_id>")
@permit("see")
@described(
    Call(
        "An entry with its history, also if it was withdrawn.",
        answers_with(RECORD),
        asked=(_WHICH,),
        problems=(404,),
    )
)
def get_defect(entry_id: str) -> Response:
    """One entry: as it stands, as it was logged, and each correction."""
    Parameters(()).finish()
    return answer_json(record_answer(entry(current_session(), _id_in_path(entry_id))))


@defects_api.post("/defects/<entry_id>/corrections")
@permit("correct entry")
@described(
    Call(
        "Correct or withdraw an entry; the old values and the reason stay on record.",
        KEPT_ONE,
        asked=(_WHICH,),
        body=CorrectionFact,
        in_address=("entry",),
        problems=(404, 413, 415),
    )
)
def post_correction(entry_id: str) -> Response:
    """Correct one entry."""
    return keep_one(CorrectionFact, correct_entry, {"entry": _id_in_path(entry_id)})


def _id_in_path(text: str) -> uuid.UUID:
    return id_in_address(text, _("there is no entry with the id '%(id)s'", id=text[:40]))
