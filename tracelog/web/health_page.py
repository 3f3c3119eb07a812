"""The page, the calls and the figures of how the installation does."""

from flask import Blueprint, Response, render_template

from tracelog.db import is_current
from tracelog.keeping.standing import Standing, standing
from tracelog.web.counting import written
from tracelog.web.health_words import cautions, health_answer, size
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, house, now, permit, replica_state
from tracelog.web.shapes import (
    COUNT,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    Call,
    answers_with,
    described,
    fields,
    many,
    maybe,
)
from tracelog.web.strict_json import answer_json

health_pages = Blueprint("health_pages", __name__)
health_api = Blueprint("health_api", __name__, url_prefix="/api/v1/health")
METRICS_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_BACKUP = fields(
    {
        "made_at": maybe(INSTANT),
        "age_seconds": maybe(NUMBER),
        "is_old": YES_NO,
        "scheduled": YES_NO,
        "failures": COUNT,
        "why": maybe(TEXT),
    }
)
_STANDING = fields(
    {
        "at": INSTANT,
        "cautions": many(TEXT),
        **dict.fromkeys(("program", "python", "database", "revision"), TEXT),
        "database_bytes": COUNT,
        "backup": _BACKUP,
        "disks": many(fields({"folder": TEXT, "free_bytes": COUNT, "total_bytes": COUNT})),
        "notices": fields(
            {"waiting": COUNT, "oldest_due_at": maybe(INSTANT), "given_up_day": COUNT}
        ),
        "counters_silent": many(TEXT),
        **dict.fromkeys(("entries", "entries_hour", "readings_hour", "rejected_day"), COUNT),
    }
)


def _standing() -> Standing:
    return standing(current_session(), house().engine, house().settings, now())


@health_pages.get("/health")
@permit("see health")
def health_page() -> str:
    """How the installation does, for people."""
    found = _standing()
    return render_template(
        "web/health.html",
        found=found,
        cautions=cautions(found),
        size=size,
        is_current=is_current(house().engine),
        replica=replica_state(),
    )


@health_api.get("/standing")
@permit("see health")
@described(
    Call(
        "How the installation does: last good backup, disks, database, notices, counters, and in"
        " `cautions` what should be looked at.",
        answers_with(_STANDING),
    )
)
def get_standing() -> Response:
    """How the installation does."""
    Parameters(()).finish()
    return answer_json(health_answer(_standing()))


@health_api.get("/metrics")
@permit("see health")
@described(
    Call(
        "Figures of the running server for a monitoring system, in the open text format"
        " (version 0.0.4) and not in JSON.",
        answers_with(TEXT),
        media_type="text/plain",
    )
)
def get_metrics() -> Response:
    """Figures of all workers, and of the database."""
    Parameters(()).finish()
    return Response(written(_standing()), content_type=METRICS_TYPE)
