"""The API's call for messages that a collector could not take."""

import base64
from typing import Any

from flask import Blueprint, Response

from tracelog.errors import Fault, TracelogError
from tracelog.intake.reject_queries import (
    MOST_REJECTS,
    RejectedView,
    Source,
    rejected_messages,
)
from tracelog.web.parameters import Parameters, WrongParameters
from tracelog.web.request import current_session, permit
from tracelog.web.shapes import (
    COUNT,
    ID,
    INSTANT,
    TEXT,
    YES_NO,
    Asked,
    Call,
    answers_with,
    described,
    fields,
    many,
    maybe,
    words,
)
from tracelog.web.strict_json import answer_json

USUAL_LIMIT = 100
intake_api = Blueprint("intake_api", __name__, url_prefix="/api/v1")

_MESSAGE = fields(
    {
        "id": ID,
        "source": words(*Source),
        "topic": TEXT,
        "reason": {**TEXT, "description": "what is wrong and what would be right"},
        "payload": {**TEXT, "description": "its first 2,000 bytes as text; others as \\xff"},
        "payload_base64": {**TEXT, "description": "the same bytes (RFC 4648, section 4)"},
        "times": {**COUNT, "description": "how often it came within the minute"},
        "last_at": INSTANT,
        "stands_for_others": {**YES_NO, "description": "a row for messages that are only counted"},
    }
)
_LISTED = Call(
    "Messages that a collector could not take, the latest first; kept for 90 days.",
    answers_with(fields({"messages": many(_MESSAGE), "cursor": maybe(TEXT)})),
    asked=(
        Asked("source", words(*Source), "only those that came so"),
        Asked(
            "limit", {"type": "integer", "minimum": 1, "maximum": MOST_REJECTS}, "how many at most"
        ),
        Asked("cursor", TEXT, "the cursor that came with the messages before"),
    ),
)


@intake_api.get("/rejected-messages")
@permit("see")
@described(_LISTED)
def get_rejected_messages() -> Response:
    """List rejected messages page by page."""
    asked = Parameters([one.name for one in _LISTED.asked])
    source = asked.word("source", Source)
    limit = asked.number("limit", 1, MOST_REJECTS) or USUAL_LIMIT
    cursor = asked.text("cursor")
    asked.finish()
    try:
        page = rejected_messages(current_session(), source, limit, cursor)
    except TracelogError as problem:
        raise WrongParameters((Fault("cursor", problem.sentence),)) from None
    return answer_json({"messages": [_answer(one) for one in page.rows], "cursor": page.next_after})


def _answer(one: RejectedView) -> dict[str, Any]:
    return {
        "id": str(one.id),
        "source": one.source,
        "topic": one.topic,
        "reason": one.reason,
        "payload": one.payload_text,
        "payload_base64": base64.b64encode(one.payload).decode("ascii"),
        "times": one.times,
        "last_at": one.last_at,
        "stands_for_others": one.stands_for_others,
    }
