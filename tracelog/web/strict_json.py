"""JSON as programs send and get it over HTTP: read strictly, written with instants in UTC."""

import json
from typing import Any

from flask import Response, request

from tracelog.errors import TracelogError
from tracelog.facts import write_value
from tracelog.json_text import parse_json
from tracelog.language import _

JSON = "application/json"


class WrongContentType(TracelogError):
    """What was sent does not say that it is JSON."""

    status = 415


def read_json() -> Any:
    """The JSON value that this request carries.

    Raises:
        WrongContentType: it says that it is something else, or that it is compressed.
        UnreadableBody: it is not JSON (RFC 8259) in UTF-8.
        werkzeug.exceptions.RequestEntityTooLarge: it is larger than the application takes.
    """
    if request.mimetype != JSON:
        raise WrongContentType(
            _(
                "the content type is '%(kind)s'; send JSON, with the header"
                " Content-Type: application/json",
                kind=request.mimetype[:60] or _("not given"),
            )
        )
    coding = request.headers.get("Content-Encoding", "identity").strip().lower()
    if coding not in {"", "identity"}:
        raise WrongContentType(
            _(
                "the content encoding '%(coding)s' is not read here; send plain JSON",
                coding=coding[:40],
            )
        )
    return parse_json(request.get_data())


def answer_json(value: Any, status: int = 200) -> Response:
    """An answer to a program; instants are written in UTC with Z, numbers are finite."""
    text = json.dumps(value, default=_plain, allow_nan=False, separators=(",", ":"))
    return Response(text, status, content_type=JSON)


def _plain(value: object) -> str:
    return write_value(value)
