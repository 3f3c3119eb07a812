"""Each request's number, its line in the log, and its place among what is counted."""

import logging
import re
import secrets
import time
from typing import TYPE_CHECKING

from flask import Flask, Response, current_app, g, request

from tracelog import logs
from tracelog.web.counting import count_request

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

log = logging.getLogger(__name__)
HEADER = "X-Request-Id"
_GIVEN = re.compile(r"[A-Za-z0-9._-]{8,64}", re.ASCII)
_ARRIVED = "tracelog.arrived"
_PROXIES = "TRACELOG_PROXIES"


def keep_access_log(app: Flask, proxies: int) -> None:
    """Number, log and count each request of an application. Comes before all else.

    Args:
        app: the application.
        proxies: how many proxies of ours stand before it; with one, the number that it gives in
            the header is used.
    """
    app.config[_PROXIES] = proxies
    app.before_request(_begin)
    # Registered first, so that it is the last to see the answer.
    app.after_request(_end)
    app.teardown_request(_release)


def timed(answer: "WSGIApplication") -> "WSGIApplication":
    """An application whose requests know when they arrived, before they waited for their turn."""

    def answer_timed(environ: "WSGIEnvironment", start_response: "StartResponse"):  # type: ignore[no-untyped-def]
        environ[_ARRIVED] = time.perf_counter()
        return answer(environ, start_response)

    return answer_timed


def request_number() -> str:
    """The number of this request, by which its lines in the log are found."""
    if "tracelog_request_number" not in g:
        given = request.headers.get(HEADER, "") if current_app.config.get(_PROXIES) else ""
        g.tracelog_request_number = given if _GIVEN.fullmatch(given) else secrets.token_hex(8)
    number: str = g.tracelog_request_number
    return number


def _begin() -> None:
    g.tracelog_began = time.perf_counter()
    g.tracelog_bound = logs.bind(request_id=request_number())


def _end(response: Response) -> Response:
    response.headers[HEADER] = request_number()
    arrived = request.environ.get(_ARRIVED) or g.get("tracelog_began") or time.perf_counter()
    seconds = time.perf_counter() - arrived
    # The rule, not the address: that may hold a token, or the name of somebody.
    route = str(request.url_rule) if request.url_rule else "unknown"
    visitor = g.get("tracelog_visitor")
    logs.tell(
        log,
        logging.WARNING if response.status_code >= 500 else logging.INFO,
        "request",
        request_id=request_number(),
        method=request.method,
        route=route,
        status=response.status_code,
        duration_ms=round(seconds * 1000, 1),
        account=visitor.actor.account_id if visitor else None,
        door=visitor.actor.door if visitor else None,
    )
    # Whoever invents methods makes no series of figures.
    count_request(route, request.method if request.url_rule else "", response.status_code, seconds)
    return response


def _release(_problem: BaseException | None) -> None:
    bound = g.pop("tracelog_bound", None)
    if bound is not None:
        logs.release(bound)
