"""JSON as programs send and get it: read strictly, written with instants in UTC.

What two readers could understand differently (a name that stands twice, numbers that are none)
is refused and not guessed.
"""

import json
from typing import Any

from flask import Response, request

from tracelog.errors import TracelogError
from tracelog.facts import write_value
from tracelog.language import _

JSON = "application/json"


class UnreadableBody(TracelogError):
    """What was sent is not JSON that can be read in one way only."""

    status = 400


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


def parse_json(sent: bytes) -> Any:
    """Read JSON text.

    Raises:
        UnreadableBody: it is not JSON, holds a name twice in one object, or a number that JSON
            does not have.
    """
    try:
        text = sent.decode("utf-8")
    except UnicodeDecodeError as problem:
        raise UnreadableBody(
            _("byte %(place)d is not UTF-8; JSON is sent in UTF-8", place=problem.start + 1)
        ) from None
    if not text.strip():
        raise UnreadableBody(_("nothing was sent; send an object, or an array of objects"))
    try:
        return json.loads(text, object_pairs_hook=_object, parse_constant=_no_number)
    except json.JSONDecodeError as problem:
        raise UnreadableBody(
            _(
                "what was sent is not JSON: line %(line)d, column %(column)d cannot be read",
                line=problem.lineno,
                column=problem.colno,
            )
        ) from None
    except RecursionError:
        raise UnreadableBody(_("what was sent is nested too deeply; send flat objects")) from None
    except ValueError:
        # Python refuses to read integers of thousands of digits.
        raise UnreadableBody(_("a number in it has too many digits; send fewer")) from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _value in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise UnreadableBody(
            _("'%(name)s' stands twice in one object; send each name once", name=twice[:60])
        )
    try:
        "".join(found).encode()
    except UnicodeEncodeError:
        raise UnreadableBody(
            _("the name of a field holds half a character; write names in Unicode")
        ) from None
    return found


def _no_number(word: str) -> Any:
    raise UnreadableBody(
        _(
            "%(word)s is not a number in JSON; send a number, or null where it is not known",
            word=word,
        )
    )


def answer_json(value: Any, status: int = 200) -> Response:
    """An answer to a program; instants are written in UTC with Z, numbers are finite."""
    text = json.dumps(value, default=_plain, allow_nan=False, separators=(",", ":"))
    return Response(text, status, content_type=JSON)


def _plain(value: object) -> str:
    return write_value(value)
