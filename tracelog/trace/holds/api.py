"""The API's calls for stock on hold."""

import uuid

from flask import Blueprint, Response

from tracelog.language import _
from tracelog.trace.holds.actions import raise_hold, write_steps
from tracelog.trace.holds.answers import hold_answer, hold_summary
from tracelog.trace.holds.facts import HoldFact, HoldStepFact
from tracelog.trace.holds.queries import MOST_HOLDS, HoldFilter, hold_row, hold_with_id, holds
from tracelog.trace.holds.shapes import HOLD, HOLDS
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

holds_api = Blueprint("holds_api", __name__, url_prefix="/api/v1")
_WHICH = Asked("hold_id", ID, "the hold's id", place="path")
_AS_OF = Asked("as_of", ASKED_INSTANT, "with only what was written by then")


@holds_api.get("/holds")
@permit("see")
@described(
    Call(
        "Holds, the last raised first, 100 at a time.",
        answers_with(HOLDS),
        asked=(
            Asked("open", KEEP_GOOD.shape, "1: only open ones; 0: only closed ones"),
            Asked("pallet", TEXT, "only those in which this pallet is or was"),
            Asked("before", COUNT, "only those with a lower number: the next page"),
            _AS_OF,
        ),
    )
)
def get_holds() -> Response:
    """Holds without their pallets."""
    asked = Parameters(("open", "pallet", "before", "as_of"))
    wanted = HoldFilter(
        asked.yes_no("open"), asked.text("pallet"), asked.number("before", 1, 10**9)
    )
    at = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    found = holds(current_session(), wanted, at)
    before = found[-1].number if len(found) == MOST_HOLDS else None
    return answer_json({"holds": [hold_summary(one) for one in found], "before": before})


@holds_api.post("/holds")
@permit("hold stock")
@described(
    Call(
        "Put stock on hold: the pallets named, or those that the suspect window reaches.",
        KEPT_ONE,
        body=HoldFact,
        problems=(409, 413, 415),
    )
)
def post_hold() -> Response:
    """Raise one hold."""
    return keep_one(HoldFact, raise_hold)


@holds_api.get("/holds/<hold_id>")
@permit("see")
@described(
    Call(
        "A hold with its pallets and all its steps.",
        answers_with(HOLD),
        asked=(_WHICH, _AS_OF),
        problems=(404,),
    )
)
def get_hold(hold_id: str) -> Response:
    """One hold."""
    asked = Parameters(("as_of",))
    at = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    return answer_json(hold_answer(hold_with_id(current_session(), _id_in_path(hold_id), at)))


_STEPS = collection(
    HoldStepFact,
    "Write what was found and decided: one step of a hold, or an array of them.",
)


@holds_api.post("/holds/<hold_id>/steps")
@permit("hold stock")
@described(
    Call(
        _STEPS.about,
        _STEPS.answers,
        asked=(_WHICH, *_STEPS.asked),
        body=HoldStepFact,
        is_collection=True,
        in_address=("hold",),
        problems=(403, 404, 409, 413, 415),
    )
)
def post_hold_steps(hold_id: str) -> Response:
    """Write steps of one hold."""
    key = _id_in_path(hold_id)
    hold_row(current_session(), key)
    return take(HoldStepFact, write_steps, {"hold": key})


def _id_in_path(text: str) -> uuid.UUID:
    return id_in_address(text, _("there is no hold with the id '%(id)s'", id=text[:40]))
