"""Errors become pages or problem details (RFC 9457) here, and nowhere else."""

from http import HTTPStatus
from typing import Any

from flask import Flask, Response, flash, g, redirect, render_template, request, url_for
from flask_wtf.csrf import CSRFError
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as NoFreeConnection
from werkzeug.exceptions import HTTPException, SecurityError
from werkzeug.wrappers import Response as AnyResponse

from tracelog.db import is_disk_full, is_out_of_reach
from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.language import _
from tracelog.web.counting import count_database_error
from tracelog.web.refusals import Refusal, tell_refusal
from tracelog.web.request import NotSignedIn, is_api, is_in_doubt, is_reading

RETRY_SECONDS = 5


def sentence_for(status: int) -> str:
    """One plain sentence for a status that nobody explained further."""
    sentences = {
        400: _("The request could not be understood. Go back, load the page again and retry."),
        401: _("Sign in first."),
        403: _("Your role does not include this. An administrator can change that."),
        404: _("Nothing is kept at this address. It may have been mistyped."),
        405: _("This address cannot be used that way."),
        409: _("This contradicts what was accepted before."),
        413: _("What was sent is too large; at most 16 MB are taken at once."),
        415: _("What was sent is not of a kind that is read here; send JSON."),
        422: _("Something that was sent is not right."),
        429: _("Too many attempts. Wait a minute and try again."),
        500: _("Something went wrong here. What you sent was not kept; try once more."),
        503: _("The database is busy or out of reach. Nothing was kept; try again in a moment."),
    }
    return sentences.get(status, sentences[500 if status >= 500 else 400])


def problem_body(status: int, detail: str, faults: tuple[Fault, ...] = ()) -> dict[str, Any]:
    """A problem as an object: `type`, `title`, `status`, `detail`, and `faults` field by field."""
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": _phrase(status),
        "status": status,
        "detail": detail,
    }
    if any(fault.field for fault in faults):
        body["faults"] = [{"field": fault.field, "sentence": fault.sentence} for fault in faults]
    return body


def problem_details(status: int, detail: str, faults: tuple[Fault, ...] = ()) -> Response:
    """A problem as the answer to a program (RFC 9457)."""
    from flask import json

    body = json.dumps(problem_body(status, detail, faults))
    return Response(body, status, content_type="application/problem+json")


def _phrase(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return str(status)


def answer_problem(
    status: int, sentence: str | None = None, faults: tuple[Fault, ...] = ()
) -> Response:
    """The answer to a request that failed: problem details for programs, else a page."""
    sentence = sentence or sentence_for(status)
    if is_api():
        response = problem_details(status, sentence, faults)
    else:
        page = render_template(
            "error.html", status=status, title=_title(status), sentence=sentence, faults=faults
        )
        response = Response(page, status, content_type="text/html; charset=utf-8")
    if status == 401:
        response.headers["WWW-Authenticate"] = 'Bearer realm="tracelog"'
    if status in (429, 503):
        response.headers["Retry-After"] = str(60 if status == 429 else RETRY_SECONDS)
    return response


def _title(status: int) -> str:
    titles = {
        400: _("Not understood"),
        401: _("Sign in first"),
        403: _("Not allowed"),
        404: _("Nothing here"),
        405: _("Not possible here"),
        409: _("A contradiction"),
        413: _("Too large"),
        422: _("Not right yet"),
        429: _("Too many attempts"),
        503: _("Busy"),
    }
    return titles.get(status, _("Something went wrong") if status >= 500 else _("Not understood"))


def register_problems(app: Flask) -> None:
    """Answer every kind of error of an application."""
    app.register_error_handler(NotSignedIn, _not_signed_in)
    app.register_error_handler(TracelogError, answer_error)
    app.register_error_handler(CSRFError, _stale_form)
    app.register_error_handler(SecurityError, _foreign_name)
    app.register_error_handler(HTTPException, _http)
    for kind in (OperationalError, InterfaceError, DBAPIError, NoFreeConnection):
        app.register_error_handler(kind, _database)
    app.register_error_handler(Exception, _unforeseen)


def _not_signed_in(problem: NotSignedIn) -> AnyResponse:
    if is_api() or not is_reading():
        return answer_problem(401, _sentence(problem.sentence))
    return redirect(url_for("people.sign_in", next=request.full_path.rstrip("?")))


def answer_error(problem: TracelogError) -> AnyResponse:
    """The page or the problem details of an error of ours."""
    if problem.status >= 500:
        return _unforeseen(problem)
    if is_api() and isinstance(problem, BadFact):
        # Begins with the name of a field, which is written as it is.
        return answer_problem(problem.status, problem.sentence, problem.faults)
    return answer_problem(problem.status, _sentence(problem.sentence), problem.faults)


def _sentence(text: str) -> str:
    """Our sentences begin small, since they also follow a field's name; a page begins large."""
    whole = text[:1].upper() + text[1:]
    return whole if whole.endswith((".", "?", "!", "…")) else whole + "."


def _stale_form(_problem: CSRFError) -> AnyResponse:
    tell_refusal(Refusal.PROOF)
    if request.endpoint in ("people.sign_in_now", "pins.enter", "pins.lock"):
        # The sign-in page of a shared tablet stands there for days.
        flash(_("This page had been open for too long. Please sign in now."))
        return redirect(url_for("people.sign_in", next=request.form.get("next")), 303)
    if is_api():
        return answer_problem(
            400,
            _(
                "A signed-in session writes only with the token of its pages in the header"
                " X-CSRFToken; programs send an access token instead."
            ),
        )
    return answer_problem(
        400,
        _("This form is not from your present session. Go back, load the page again and retry."),
    )


def _foreign_name(_problem: SecurityError) -> AnyResponse:
    tell_refusal(Refusal.HOST)
    # A page would hold addresses, and there are none under a name that is not ours.
    sentence = _("This server does not answer under that name. An administrator can change that.")
    return Response(sentence, 400, content_type="text/plain; charset=utf-8")


def _http(problem: HTTPException) -> AnyResponse:
    status = problem.code or 500
    if status < 400:  # the routing redirects by raising
        answer: AnyResponse = problem.get_response()
        return answer
    response = answer_problem(status)
    for name, value in problem.get_headers():
        if name.lower() in {"allow", "retry-after"}:
            response.headers[name] = value
    return response


def _database(problem: DBAPIError | NoFreeConnection) -> AnyResponse:
    if isinstance(problem, DBAPIError) and not is_out_of_reach(problem):
        count_database_error("other")
        return _unforeseen(problem)
    _note(problem)
    is_full = isinstance(problem, DBAPIError) and is_disk_full(problem)
    count_database_error("full" if is_full else "away")
    return answer_problem(503, _sentence_for_database(problem))


def _sentence_for_database(problem: DBAPIError | NoFreeConnection) -> str | None:
    """What is known of a database that failed; None: that it is busy or away."""
    if not isinstance(problem, DBAPIError):
        return None
    if is_disk_full(problem):
        return _(
            "The disk of the database is full. Nothing was kept; tell whoever looks after the"
            " server, and try again when there is room."
        )
    if is_in_doubt() and problem.connection_invalidated:
        return _(
            "The database went away while this was being kept, so nobody knows yet whether it was."
            " Send it once more as it is, or look first: the same thing is not kept twice."
        )
    return None


def _unforeseen(problem: Exception) -> AnyResponse:
    _note(problem)
    return answer_problem(500)


def _note(problem: Exception) -> None:
    from flask import current_app

    # Where a token is part of the address, the address without it is written down.
    secret = "token" in (request.view_args or {})
    place = str(request.url_rule) if secret else request.path
    current_app.logger.error("%s %s", request.method, place, exc_info=problem)
    # The page that tells of it must not ask the database again.
    g.tracelog_without_database = True
