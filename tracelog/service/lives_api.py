"""The API's calls for tool lives, and for what replacing tools costs."""

from flask import Blueprint, Response

from tracelog.language import _
from tracelog.service.actions import record_replacement_costs
from tracelog.service.facts import ReplacementCostFact
from tracelog.service.lives import lives_by_type, lives_of
from tracelog.service.lives_answers import lives_answer
from tracelog.service.lives_shapes import LIVES
from tracelog.service.machine_lives import machine_lives
from tracelog.web.collections import take
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    TEXT,
    Asked,
    Call,
    answers_with,
    collection,
    described,
)
from tracelog.web.strict_json import answer_json

lives_api = Blueprint("lives_api", __name__, url_prefix="/api/v1")


@lives_api.post("/replacement-costs")
@permit("plan services")
@described(
    collection(
        ReplacementCostFact,
        "Keep what replacing tools of a type costs, planned and unplanned, and today's interval.",
    )
)
def post_replacement_costs() -> Response:
    """Keep the costs of one tool type or of many."""
    return take(ReplacementCostFact, record_replacement_costs)


@lives_api.get("/tool-lives")
@permit("see")
@described(
    Call(
        "How long tools live, by type: Weibull shape, scale and B10 life with 95 % intervals, and"
        " whether replacing by age pays; and machines between overhauls.",
        answers_with(LIVES),
        asked=(
            Asked("tool_type", TEXT, "only this type"),
            Asked("position", TEXT, "with tool_type: only lives that were last in this position"),
            Asked("as_of", ASKED_INSTANT, "the answer as it would have been then"),
        ),
        problems=(422,),
    )
)
def get_tool_lives() -> Response:
    """Lives of all types of tool, or of one."""
    asked = Parameters(("tool_type", "position", "as_of"))
    as_of = asked.instant("as_of", the_plant_now().zone) or now()
    tool_type, position = asked.text("tool_type"), asked.text("position")
    if position and not tool_type:
        asked.tell("position", _("give tool_type too; positions are told apart within a type"))
    asked.finish()
    session = current_session()
    machines = machine_lives(session, as_of)
    if tool_type:
        kinds, without_type = [lives_of(session, as_of, tool_type, position)], 0
    else:
        kinds, without_type = lives_by_type(session, as_of)
    return answer_json(lives_answer(kinds, without_type, machines, as_of))
