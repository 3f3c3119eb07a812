"""The API's calls for services and when they fall due."""

from datetime import datetime

from flask import Blueprint, Response

from tracelog.service.actions import record_services
from tracelog.service.answers import forecast_answer
from tracelog.service.facts import ServiceFact
from tracelog.service.queries import service_standings
from tracelog.service.shapes import FORECAST
from tracelog.service.tool_standings import tool_standings
from tracelog.web.collections import take
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    Asked,
    Call,
    answers_with,
    collection,
    described,
)
from tracelog.web.strict_json import answer_json

service_api = Blueprint("service_api", __name__, url_prefix="/api/v1")
_AS_OF = Asked("as_of", ASKED_INSTANT, "the answer as it would have been then")


@service_api.post("/services")
@permit("record service")
@described(collection(ServiceFact, "Record services that were done on bodymakers."))
def post_services() -> Response:
    """Record one service or many."""
    return take(ServiceFact, record_services)


@service_api.get("/forecast")
@permit("see")
@described(Call("When each machine's services fall due.", answers_with(FORECAST), asked=(_AS_OF,)))
def get_forecast() -> Response:
    """The forecast of all machines."""
    asked = Parameters(("as_of",))
    as_of = _moment(asked)
    session = current_session()
    standings = service_standings(session, as_of)
    return answer_json(forecast_answer(standings, tool_standings(session, as_of), as_of))


def _moment(asked: Parameters) -> datetime:
    as_of = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    return as_of
