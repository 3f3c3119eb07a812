"""The API's call for explanations."""

from flask import Blueprint, Response

from tracelog.cases.explain.answers import explain_answer
from tracelog.cases.explain.explaining import explain
from tracelog.cases.explain.questions import question
from tracelog.cases.explain.shapes import EXPLAINED
from tracelog.plant.queries import directory
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    ASKED_MOMENT,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
)
from tracelog.web.strict_json import answer_json

explain_api = Blueprint("explain_api", __name__, url_prefix="/api/v1")


@explain_api.get("/explain")
@permit("see")
@described(
    Call(
        "Ranked explanations of a defect's rate, with probabilities that add up to one.",
        answers_with(EXPLAINED),
        asked=(
            Asked("defect", TEXT, "code of the kind of defect; needed"),
            Asked("from", ASKED_MOMENT, "start; usually eight weeks before the end"),
            Asked("to", ASKED_MOMENT, "end, not included unless a day; usually now"),
            Asked("as_of", ASKED_INSTANT, "the answer as it would have been then"),
        ),
        problems=(422,),
    )
)
def get_explanations() -> Response:
    """Explanations, the likeliest first."""
    plant, session = the_plant_now(), current_session()
    asked = Parameters(("defect", "from", "to", "as_of"))
    defect, (start, end) = asked.text("defect"), asked.period(plant.zone)
    as_of = asked.instant("as_of", plant.zone)
    asked.finish()
    wanted = question(session, defect, start, end, now(), as_of)
    answer = explain(session, plant, directory(session), wanted)
    return answer_json(explain_answer(answer, plant.zone))
