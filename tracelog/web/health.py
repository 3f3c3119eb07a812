"""Whether the server is alive and ready, for whatever watches over it."""

from flask import Blueprint, Response, jsonify
from sqlalchemy.exc import SQLAlchemyError

from tracelog.db import is_current
from tracelog.instants import write_instant
from tracelog.keeping.last import last_backup
from tracelog.web.problems import problem_details
from tracelog.web.request import house, public, replica_state
from tracelog.web.shapes import INSTANT, NUMBER, TEXT, Call, answers_with, described, fields, maybe

_STATUS = fields({"status": TEXT})
_REPLICA = fields({"state": TEXT, "lag_seconds": maybe(NUMBER)})
_READY = fields({"status": TEXT, "last_backup": maybe(INSTANT), "replica": maybe(_REPLICA)})
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
        "The database answers and has the tables of this version, else 503; and when the last good"
        " backup was made on this server, and how the replica does: in use, behind or away.",
        answers_with(_READY),
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
    last = last_backup(house().settings.data_dir)
    copy = replica_state()
    return jsonify(
        status="ready",
        last_backup=last and write_instant(last.made_at),
        replica=copy and {"state": copy.state, "lag_seconds": copy.lag_s},
    )
