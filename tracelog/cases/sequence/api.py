"""The API's calls for rows of cans taken in order."""

import uuid

from flask import Blueprint, Response

from tracelog.cases.sequence.actions import keep_sequence_check
from tracelog.cases.sequence.answering import weigh_row
from tracelog.cases.sequence.answers import check_answer, row_answer
from tracelog.cases.sequence.facts import RowFact, SequenceCheckFact
from tracelog.cases.sequence.queries import CheckFilter, sequence_check, sequence_checks
from tracelog.cases.sequence.shapes import CHECK, CHECKS, ROW
from tracelog.language import _
from tracelog.plant.part_queries import station_parts
from tracelog.plant.queries import directory
from tracelog.web.collections import id_in_address, keep_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    COUNT,
    ID,
    KEPT_ONE,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
)
from tracelog.web.strict_json import answer_json

sequence_api = Blueprint("sequence_api", __name__, url_prefix="/api/v1")
_AS_OF = Asked("as_of", ASKED_INSTANT, "with only what was known by then")
_ROW_FIELDS = tuple(RowFact.model_fields)


@sequence_api.get("/sequence")
@permit("see")
@described(
    Call(
        "Whether bad cans repeat in a row taken in order, and what that points to; keeps nothing.",
        answers_with(ROW),
        asked=(
            Asked("line", COUNT, "the line"),
            Asked("taken_after", TEXT, "the station behind which the row was taken"),
            Asked("cans", TEXT, "a letter for each can in order: g good, b bad, ? not looked at"),
            Asked("taken", COUNT, "instead of `cans`: how many were taken"),
            Asked("bad", TEXT, "and which of them were bad, such as 4,16,28"),
            Asked("unseen", TEXT, "and which nobody looked at"),
        ),
        problems=(422,),
    )
)
def get_sequence() -> Response:
    """What a row says."""
    asked = Parameters(_ROW_FIELDS)
    said = {name: asked.text(name) for name in _ROW_FIELDS}
    asked.finish()
    fact = RowFact.read(said, the_plant_now().zone)
    directory(current_session()).line(fact.line)
    parts = station_parts(current_session(), fact.line)
    return answer_json(row_answer(weigh_row(fact.line, fact.taken_after, fact.row, parts)))


@sequence_api.get("/sequence-checks")
@permit("see")
@described(
    Call(
        "The last 100 rows of cans that were kept, the last taken first.",
        answers_with(CHECKS),
        asked=(
            Asked("line", COUNT, "only those of this line"),
            Asked("defect", TEXT, "only those of this defect"),
            _AS_OF,
        ),
    )
)
def get_checks() -> Response:
    """The list."""
    asked = Parameters(("line", "defect", "as_of"))
    wanted = CheckFilter(asked.number("line", 1, 999), asked.text("defect"))
    at = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    found = sequence_checks(current_session(), wanted, at)
    return answer_json({"sequence_checks": [check_answer(one) for one in found]})


@sequence_api.post("/sequence-checks")
@permit("log entry")
@described(
    Call(
        "Keep a row of cans taken in order behind a station, and which of them were bad.",
        KEPT_ONE,
        body=SequenceCheckFact,
        problems=(409, 413, 415),
    )
)
def post_check() -> Response:
    """Keep one row."""
    return keep_one(SequenceCheckFact, keep_sequence_check)


@sequence_api.get("/sequence-checks/<check_id>")
@permit("see")
@described(
    Call(
        "A row that was kept, and what it says with the line's counts of today.",
        answers_with(CHECK),
        asked=(Asked("check_id", ID, "the row's id", place="path"), _AS_OF),
        problems=(404,),
    )
)
def get_check(check_id: str) -> Response:
    """One row with its answer."""
    asked = Parameters(("as_of",))
    at = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    one = sequence_check(current_session(), _id_in_path(check_id), at)
    answer = weigh_row(
        one.line, one.taken_after, one.cans, station_parts(current_session(), one.line)
    )
    return answer_json(check_answer(one) | {"answer": row_answer(answer)})


def _id_in_path(text: str) -> uuid.UUID:
    return id_in_address(text, _("there is no sequence check with the id '%(id)s'", id=text[:40]))
