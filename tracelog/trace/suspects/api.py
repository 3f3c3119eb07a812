"""The API's call for suspect cans."""

from flask import Blueprint, Response

from tracelog.plant.queries import directory
from tracelog.trace.suspects.answers import suspects_answer
from tracelog.trace.suspects.asking import suspects
from tracelog.trace.suspects.planning import plan_for
from tracelog.trace.suspects.questions import OF_PLAN, OF_WISH, read_plan, read_wish
from tracelog.trace.suspects.shapes import SUSPECTS_CALL
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import described
from tracelog.web.strict_json import answer_json

suspects_api = Blueprint("suspects_api", __name__, url_prefix="/api/v1")


@suspects_api.get("/suspects")
@permit("see")
@described(SUSPECTS_CALL)
def get_suspects() -> Response:
    """The suspect window of a machine: the parameters and the answer of `tracelog suspects`."""
    asked = Parameters([one.name for one in SUSPECTS_CALL.asked])
    zone = the_plant_now().zone
    as_of = asked.instant("as_of", zone) or now()
    values = {name: asked.text(name) for name in (*OF_WISH, *OF_PLAN)}
    asked.finish()
    session = current_session()
    machines = directory(session)
    plan = read_plan(values)
    found = suspects(session, read_wish(values, machines, zone), as_of)
    return answer_json(suspects_answer(found, plan_for(session, found, plan), machines))
