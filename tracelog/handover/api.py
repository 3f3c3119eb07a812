"""The API's calls for the handover."""

import uuid

from flask import Blueprint, Response

from tracelog.handover.actions import settle_note, write_note
from tracelog.handover.answers import shift_answer
from tracelog.handover.facts import HandoverNoteFact, SettlementFact
from tracelog.handover.queries import shift_page
from tracelog.handover.shapes import SHIFT
from tracelog.language import _
from tracelog.web.collections import answer_one, id_in_address, keep_one, take_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    ID,
    KEPT_ONE,
    Asked,
    Call,
    answers_with,
    described,
)
from tracelog.web.strict_json import answer_json

handover_api = Blueprint("handover_api", __name__, url_prefix="/api/v1")


@handover_api.get("/handover")
@permit("see")
@described(
    Call(
        "A shift as far as it has gone: strokes, what stood out, what is carried over.",
        answers_with(SHIFT),
        asked=(Asked("at", ASKED_INSTANT, "the shift that holds it; without one the present"),),
        problems=(404,),
    )
)
def get_handover() -> Response:
    """The present shift, or the one that held an instant."""
    asked = Parameters(("at",))
    plant = the_plant_now()
    moment = asked.instant("at", plant.zone) or now()
    asked.finish()
    return answer_json(
        shift_answer(shift_page(current_session(), plant, min(moment, now()), now()))
    )


@handover_api.post("/handover/notes")
@permit("log entry")
@described(
    Call(
        "Write down what the next shift must know.",
        KEPT_ONE,
        body=HandoverNoteFact,
        problems=(413, 415),
    )
)
def post_note() -> Response:
    """Write one note."""
    return keep_one(HandoverNoteFact, write_note)


@handover_api.post("/handover/notes/<note_id>/settlement")
@permit("log entry")
@described(
    Call(
        "Say that a note need not be carried over any more, and why.",
        KEPT_ONE,
        asked=(Asked("note_id", ID, "the note's id", place="path"),),
        body=SettlementFact,
        in_address=("note",),
        problems=(404, 413, 415),
    )
)
def post_settlement(note_id: str) -> Response:
    """Settle one note."""
    fact = take_one(SettlementFact, {"note": _id_in_path(note_id)})
    return answer_one(fact.note, settle_note(current_session(), fact, current_actor(), now()))


def _id_in_path(text: str) -> uuid.UUID:
    return id_in_address(text, _("there is no note with the id '%(id)s'", id=text[:40]))
