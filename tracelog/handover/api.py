"""The API's calls for the handover."""

import uuid

from flask import Blueprint, Response

from tracelog.facts import read_day
from tracelog.handover.actions import settle_note, write_note
from tracelog.handover.answers import shift_answer
from tracelog.handover.facts import HandoverNoteFact, SettlementFact
from tracelog.handover.queries import shift_page
from tracelog.handover.signing.actions import sign_shift
from tracelog.handover.signing.answers import past_answer, signed_answer
from tracelog.handover.signing.facts import SignatureFact
from tracelog.handover.signing.queries import past_shifts, signatures_of
from tracelog.handover.signing.rules import MOST_SHIFTS, last_of_day
from tracelog.handover.signing.shapes import SHIFTS, SIGNED_SHIFT
from tracelog.handover.weekly.answers import week_answer
from tracelog.handover.weekly.queries import EARLIEST, week_page
from tracelog.handover.weekly.shapes import WEEK
from tracelog.language import _
from tracelog.web.collections import answer_one, id_in_address, keep_one, take_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    DAY,
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
        answers_with(SIGNED_SHIFT),
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
    session = current_session()
    page = shift_page(session, plant, min(moment, now()), now())
    started_at = page.shift.started_at
    signed = signatures_of(session, [started_at])[started_at]
    return answer_json({**shift_answer(page), "signed": signed_answer(signed, page)})


@handover_api.get("/handover/shifts")
@permit("see")
@described(
    Call(
        "The last 30 shifts up to a day, and how far their handovers came.",
        answers_with(SHIFTS),
        asked=(Asked("day", DAY, "the last day shown; without one today"),),
    )
)
def get_shifts() -> Response:
    """Past shifts, the latest first."""
    asked = Parameters(("day",))
    plant = the_plant_now()
    last = asked.read("day", lambda given: last_of_day(read_day(given), plant.zone))
    asked.finish()
    until = now() if last is None else min(last, now())
    found = past_shifts(current_session(), plant, until, MOST_SHIFTS, now())
    return answer_json({"shifts": [past_answer(one) for one in found]})


@handover_api.get("/handover/week")
@permit("see")
@described(
    Call(
        "A week: the five things that changed most by evidence, totals, what moved.",
        answers_with(WEEK),
        asked=(Asked("from", DAY, "a day of the week; without one the last whole week"),),
    )
)
def get_week() -> Response:
    """The review of a week."""
    asked = Parameters(("from",))
    day = asked.read("from", read_day)
    if day is not None and day < EARLIEST:
        asked.tell("from", _("is out of range; give a day since 1900"))
    asked.finish()
    return answer_json(week_answer(week_page(current_session(), the_plant_now(), day, now())))


@handover_api.post("/handover/signatures")
@permit("hand over shift")
@described(
    Call(
        "Sign a shift: the outgoing crew with its words, the incoming one having read them.",
        KEPT_ONE,
        body=SignatureFact,
        problems=(404, 413, 415),
    )
)
def post_signature() -> Response:
    """Sign for one side."""
    return keep_one(SignatureFact, sign_shift)


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
