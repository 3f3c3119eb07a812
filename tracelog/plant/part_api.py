"""The API's calls for the parts of stations."""

from flask import Blueprint, Response

from tracelog.plant.part_actions import record_station_parts
from tracelog.plant.part_facts import StationPartFact
from tracelog.plant.part_queries import station_parts
from tracelog.web.collections import take
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, permit
from tracelog.web.shapes import (
    COUNT,
    TEXT,
    Asked,
    Call,
    answers_with,
    collection,
    described,
    fields,
    many,
)
from tracelog.web.strict_json import answer_json

part_api = Blueprint("part_api", __name__, url_prefix="/api/v1")
_PART = fields({"line": COUNT, "station": TEXT, "part": TEXT, "count": COUNT})


@part_api.get("/station-parts")
@permit("see")
@described(
    Call(
        "How many mandrels, segments, pockets or fingers each station has.",
        answers_with(fields({"station_parts": many(_PART)})),
        asked=(Asked("line", COUNT, "only those of this line"),),
    )
)
def get_station_parts() -> Response:
    """The counts."""
    asked = Parameters(("line",))
    line = asked.number("line", 1, 999)
    asked.finish()
    found = [
        {"line": one.line, "station": one.station, "part": one.part, "count": one.count}
        for one in station_parts(current_session(), line)
    ]
    return answer_json({"station_parts": found})


@part_api.post("/station-parts")
@permit("set station parts")
@described(collection(StationPartFact, "Set how many parts of one kind a station has; 0: none."))
def post_station_parts() -> Response:
    """Set one count or many."""
    return take(StationPartFact, record_station_parts)
