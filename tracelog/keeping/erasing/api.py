"""The API's call for erasing a person's name."""

from flask import Blueprint, Response

from tracelog.keeping.erasing.actions import erase_person
from tracelog.keeping.erasing.answers import erased_answer
from tracelog.keeping.erasing.facts import ErasureFact
from tracelog.web.collections import take_one
from tracelog.web.request import current_actor, current_session, now, permit
from tracelog.web.shapes import COUNT, TEXT, Call, described, fields, many, words
from tracelog.web.strict_json import answer_json

erasing_api = Blueprint("erasing_api", __name__, url_prefix="/api/v1")
_ANSWER = fields(
    {
        "status": words("erased"),
        "person": TEXT,
        "rows": {"type": "object", "additionalProperties": COUNT},
        "records": COUNT,
        "left": many(fields({"table": TEXT, "column": TEXT, "rows": COUNT, "keys": many(TEXT)})),
    }
)


@erasing_api.post("/erasures")
@permit("manage accounts")
@described(
    Call(
        "Erase the name of a person; what they recorded stays under a pseudonym.",
        {201: _ANSWER},
        body=ErasureFact,
        problems=(404, 413, 415),
    )
)
def post_erasure() -> Response:
    """Erase a name."""
    fact = take_one(ErasureFact, {})
    done = erase_person(current_session(), fact.name, current_actor(), now())
    return answer_json(erased_answer(done), 201)
