"""The API's calls for complaints."""

import uuid

from flask import Blueprint, Response

from tracelog.cases.complaints.actions import write_complaint, write_complaint_steps
from tracelog.cases.complaints.answering import answer_of
from tracelog.cases.complaints.answers import complaint_answer, whole_answer
from tracelog.cases.complaints.facts import ComplaintFact, ComplaintStepFact
from tracelog.cases.complaints.queries import (
    MOST_COMPLAINTS,
    ComplaintFilter,
    complaint_with_id,
    complaints,
)
from tracelog.cases.complaints.shapes import COMPLAINT, COMPLAINTS
from tracelog.language import _
from tracelog.web.collections import id_in_address, keep_one, take
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    COUNT,
    ID,
    KEEP_GOOD,
    KEPT_ONE,
    TEXT,
    Asked,
    Call,
    answers_with,
    collection,
    described,
)
from tracelog.web.strict_json import answer_json

complaints_api = Blueprint("complaints_api", __name__, url_prefix="/api/v1")
_WHICH = Asked("complaint_id", ID, "the complaint's id", place="path")
_AS_OF = Asked("as_of", ASKED_INSTANT, "with only what was known by then")


@complaints_api.get("/complaints")
@permit("see")
@described(
    Call(
        "Complaints as they stand, the last written first, 100 at a time.",
        answers_with(COMPLAINTS),
        asked=(
            Asked("open", KEEP_GOOD.shape, "1: only open ones; 0: only closed ones"),
            Asked("pallet", TEXT, "only those of this pallet"),
            Asked("before", COUNT, "only those with a lower number: the next page"),
            _AS_OF,
        ),
    )
)
def get_complaints() -> Response:
    """The list."""
    asked = Parameters(("open", "pallet", "before", "as_of"))
    wanted = ComplaintFilter(
        asked.yes_no("open"), asked.text("pallet"), asked.number("before", 1, 10**9)
    )
    at = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    found = complaints(current_session(), wanted, at)
    before = found[-1].number if len(found) == MOST_COMPLAINTS else None
    told = [complaint_answer(one, at) for one in found]
    return answer_json({"complaints": told, "before": before})


@complaints_api.post("/complaints")
@permit("work on case")
@described(
    Call(
        "Write down a complaint: the can's marks as they were read, and what is wrong with it.",
        KEPT_ONE,
        body=ComplaintFact,
        problems=(409, 413, 415),
    )
)
def post_complaint() -> Response:
    """Write one complaint."""
    return keep_one(ComplaintFact, write_complaint)


@complaints_api.get("/complaints/<complaint_id>")
@permit("see")
@described(
    Call(
        "A complaint, and what can be answered now from what is on record.",
        answers_with(COMPLAINT),
        asked=(_WHICH, _AS_OF),
        problems=(404,),
    )
)
def get_complaint(complaint_id: str) -> Response:
    """One complaint with its answer."""
    asked = Parameters(("as_of",))
    at = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    found = complaint_with_id(current_session(), _id_in_path(complaint_id), at)
    return answer_json(whole_answer(answer_of(current_session(), found, at), at))


_STEPS = collection(
    ComplaintStepFact,
    "Write what was done about a complaint: one step, or an array of them.",
)


@complaints_api.post("/complaints/<complaint_id>/steps")
@permit("work on case")
@described(
    Call(
        _STEPS.about,
        _STEPS.answers,
        asked=(_WHICH, *_STEPS.asked),
        body=ComplaintStepFact,
        is_collection=True,
        in_address=("complaint",),
        problems=(404, 409, 413, 415),
    )
)
def post_complaint_steps(complaint_id: str) -> Response:
    """Write steps of one complaint."""
    key = _id_in_path(complaint_id)
    complaint_with_id(current_session(), key, now())
    return take(ComplaintStepFact, write_complaint_steps, {"complaint": key})


def _id_in_path(text: str) -> uuid.UUID:
    return id_in_address(text, _("there is no complaint with the id '%(id)s'", id=text[:40]))
