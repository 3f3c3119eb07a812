"""The API's calls for machines as they stand, with the signals that are on."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from flask import Blueprint, Response

from tracelog.errors import NotFound, UnknownReference
from tracelog.facts import whole_number
from tracelog.floor.queries import open_signals
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.service.answers import machine_answer
from tracelog.service.shapes import MACHINE
from tracelog.service.states import MachineState, machine_states
from tracelog.trends.signals.answers import signal_answer
from tracelog.trends.signals.queries import SignalView
from tracelog.trends.signals.shapes import SIGNAL
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    INSTANT,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
    fields,
    many,
)
from tracelog.web.strict_json import answer_json

floor_api = Blueprint("floor_api", __name__, url_prefix="/api/v1")
_AS_OF = Asked("as_of", ASKED_INSTANT, "the answer as it would have been then")
_NUMBER = {"type": "integer", "minimum": 1, "maximum": 999}
_STATE = fields({**MACHINE, "signals": many(SIGNAL)})
_STATES = fields({"as_of": INSTANT, "machines": many(_STATE)})


@floor_api.get("/machines")
@permit("see")
@described(
    Call(
        "Machines as they stand: strokes, services and when they fall due, tools, jumps of"
        " the counter that nobody has explained, and signals that are on.",
        answers_with(_STATES),
        asked=(_AS_OF,),
    )
)
def get_machines() -> Response:
    """All machines."""
    as_of = _asked_moment()
    session = current_session()
    states = machine_states(session, as_of or now())
    signals = open_signals(session, the_plant_now(), as_of)
    answers = [_answer(state, signals.get(state.machine.id, ())) for state in states]
    return answer_json({"as_of": as_of or now(), "machines": answers})


@floor_api.get("/machines/<line>/<station>/<number>")
@permit("see")
@described(
    Call(
        "One machine as it stands.",
        answers_with(_STATE),
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
    as_of = _asked_moment()
    session = current_session()
    try:
        numbers = [whole_number(text, 1, 999) for text in (line, number)]
        machine = directory(session).machine(numbers[0], station, numbers[1])
    except UnknownReference as problem:
        raise NotFound(problem.sentence) from None
    except ValueError:
        raise NotFound(_("a line and a machine have numbers from 1 to 999")) from None
    (state,) = machine_states(session, as_of or now(), machine)
    signals = open_signals(session, the_plant_now(), as_of)
    return answer_json(_answer(state, signals.get(machine.id, ())))


def _answer(state: MachineState, signals: Sequence[SignalView]) -> dict[str, Any]:
    return {**machine_answer(state), "signals": [signal_answer(one) for one in signals]}


def _asked_moment() -> datetime | None:
    asked = Parameters(("as_of",))
    as_of = asked.instant("as_of", the_plant_now().zone)
    asked.finish()
    return as_of
