"""The API's call for the dome numbers of a handful of bad cans."""

from flask import Blueprint, Response

from tracelog.cases.domes.answers import domes_answer
from tracelog.cases.domes.checking import check_domes
from tracelog.cases.domes.facts import DomesFact
from tracelog.plant.queries import directory
from tracelog.stats.dome_numbers import Suggests
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    COUNT,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    Asked,
    Call,
    answers_with,
    described,
    fields,
    many,
    maybe,
    words,
)
from tracelog.web.strict_json import answer_json

domes_api = Blueprint("domes_api", __name__, url_prefix="/api/v1")
_MACHINE = fields(
    {
        "machine": TEXT,
        "code": TEXT,
        "cans": COUNT,
        "strokes": COUNT,
        "share": NUMBER,
        "expected": NUMBER,
    }
)
_ANSWER = fields(
    {
        "cans": COUNT,
        "suggests": words(*Suggests),
        "machine": TEXT,
        "most": COUNT,
        "by_chance": NUMBER,
        "sentence": TEXT,
        "next": TEXT,
        "further_cans": maybe(COUNT),
        "made_from": INSTANT,
        "made_to": INSTANT,
        "basis": TEXT,
        "weighed_by_strokes": YES_NO,
        "unread": many(TEXT),
        "notes": many(TEXT),
        "machines": many(_MACHINE),
        "caution": TEXT,
    }
)


@domes_api.get("/dome-numbers")
@permit("see")
@described(
    Call(
        "Whether a handful of bad cans suggests one machine, by the exact chance of their spread.",
        answers_with(_ANSWER),
        asked=(
            Asked("codes", TEXT, "one code for each can, such as 3-7,3-7,3-2"),
            Asked("seen_at", ASKED_INSTANT, "when the last was found; left out: now"),
            Asked("seen_from", ASKED_INSTANT, "when the first was found"),
            Asked("found_at", TEXT, "at which station"),
            Asked("made_from", ASKED_INSTANT, "instead: the first instant of making"),
            Asked("made_to", ASKED_INSTANT, "and the last"),
        ),
        problems=(422,),
    )
)
def get_dome_numbers() -> Response:
    """What the cans suggest."""
    names = tuple(DomesFact.model_fields)
    asked = Parameters(names)
    said = {name: asked.text(name) for name in names}
    asked.finish()
    plant, session = the_plant_now(), current_session()
    fact = DomesFact.read(said, plant.zone)
    return answer_json(domes_answer(check_domes(session, plant, directory(session), fact, now())))
