"""Whether the server is alive and ready, for whatever watches over it."""

from flask import Blueprint, Response, jsonify
from sqlalchemy.exc import SQLAlchemyError

from tracelog.db import is_current
from tracelog.web.problems import problem_details
from tracelog.web.request import house, public
from tracelog.web.shapes import TEXT, Call, answers_with, described, fields

_STATUS = fields({"status": TEXT})
health = Blueprint("health", __name__, url_prefix="/api/v1/health")


@health.get("/live")
@public
@described(Call("The process answers; it does not ask the database.", answers_with(_STATUS)))
def live() -> Response:
    """The process answers; it does not ask the database."""
    return jsonify(status="live")


@health.get("/ready")
@public
@described(
    Call(
        "The database answers and has the tables of this version; else 503.",
        answers_with(_STATUS),
        problems=(503,),
    )
)
def ready() -> Response:
    """The database answers and has the tables of this version; else 503."""
    try:
        current = is_current(house().engine)
    except SQLAlchemyError:
        return problem_details(503, "the database is out of reach")
    if not current:
        return problem_details(503, "the database's tables are of another version")
    return jsonify(status="ready")
