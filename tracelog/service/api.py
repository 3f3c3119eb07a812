"""The API's calls for services and for machines as they stand."""

from datetime import datetime

from flask import Blueprint, Response

from tracelog.errors import NotFound, UnknownReference
from tracelog.facts import whole_number
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.service.actions import record_services
from tracelog.service.answers import forecast_answer, machine_answer, machines_answer
from tracelog.service.facts import ServiceFact
from tracelog.service.queries import service_standings
from tracelog.service.shapes import FORECAST, MACHINE, MACHINES
from tracelog.service.states import machine_states
from tracelog.service.tool_standings import tool_standings
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

service_api = Blueprint("service_api", __name__, url_prefix="/api/v1")
_AS_OF = Asked("as_of", ASKED_INSTANT, "the answer as it would have been then")
_NUMBER = {"type": "integer", "minimum": 1, "maximum": 999}


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


@service_api.get("/machines")
@permit("see")
@described(
    Call(
        "Machines as they stand: strokes, services and when they fall due, tools, and jumps of"
        " the counter that nobody has explained.",
        answers_with(MACHINES),
        asked=(_AS_OF,),
    )
)
def get_machines() -> Response:
    """All machines."""
    asked = Parameters(("as_of",))
    as_of = _moment(asked)
    return answer_json(machines_answer(machine_states(current_session(), as_of), as_of))


@service_api.get("/machines/<line>/<station>/<number>")
@permit("see")
@described(
    Call(
        "One machine as it stands.",
        answers_with(MACHINE),
        asked=(
            Asked("line", _NUMBER, "its line", place="path"),
            Asked("station", TEXT, "its station, such as bodymaker", place="path"),
            Asked("number", _NUMBER, "its number in the line", place="path"),
            _AS_OF,
        ),
        problems=(404,),
    )
)
def get_machine(line: str, station: str, number: str) -> Response:
    """One machine."""
    as_of = _moment(Parameters(("as_of",)))
    session = current_session()
    try:
        numbers = [whole_number(text, 1, 999) for text in (line, number)]
        machine = directory(session).machine(numbers[0], station, numbers[1])
    except UnknownReference as problem:
        raise NotFound(problem.sentence) from None
    except ValueError:
        raise NotFound(_("a line and a machine have numbers from 1 to 999")) from None
    (state,) = machine_states(session, as_of, machine)
    return answer_json(machine_answer(state))


def _moment(asked: Parameters) -> datetime:
    as_of = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    return as_of
