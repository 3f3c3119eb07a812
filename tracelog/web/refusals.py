"""What looks like an attempt to get around leaves a line of its own kind in the log.

Such a line says which kind, where, and whose account it is, if that is known; never what was
sent: no token, no cookie, no proof, no address as it came. An honest mistake may look the same
(a page that stood open, a token that ran out): many of one kind are what to look at.
"""

import logging
import re
from enum import StrEnum

from flask import Flask, g, request

from tracelog import logs

log = logging.getLogger(__name__)
_FORGED_COOKIE = "tracelog_forged_cookie"
# A step up among folders, however it is written; what separates names on other systems; NUL.
_STEPS = re.compile(r"(?:^|[/\\])\.\.(?:[/\\]|$)|\\|\x00|%(?:2e|2f|5c|00)", re.IGNORECASE)


class Refusal(StrEnum):
    """What was refused."""

    PROOF = "proof of the form"
    COOKIE = "signature of the cookie"
    TOKEN = "token"  # noqa: S105
    SCOPE = "scope of the token"
    ROLE = "role"
    PIN = "pin"
    FIRST_PASSWORD = "first password"  # noqa: S105
    ATTEMPTS = "too many attempts"
    PROVIDER = "identity provider"
    PATH = "path"
    HOST = "name of the host"
    TWICE = "given twice"


def tell_refusal(kind: Refusal, permission: str | None = None) -> None:
    """Log that something was refused.

    Args:
        kind: what.
        permission: the word of it that was wanted, where one was.
    """
    visitor = g.get("tracelog_visitor")
    logs.tell(
        log,
        logging.WARNING,
        "refused",
        kind=kind.value,
        method=request.method,
        # The rule, not the address: that may hold a secret.
        route=str(request.url_rule) if request.url_rule else "unknown",
        account=visitor.actor.account_id if visitor else None,
        door=visitor.actor.door if visitor else None,
        permission=permission,
    )


def note_forged_cookie() -> None:
    """Remember, before the request has its number, that its cookie is not of our making."""
    g.setdefault(_FORGED_COOKIE, True)


def watch_requests(app: Flask) -> None:
    """Tell of requests that are refused without any view being asked."""
    app.before_request(_look)


def _look() -> None:
    if g.get(_FORGED_COOKIE):
        tell_refusal(Refusal.COOKIE)
    if _STEPS.search(request.path):
        tell_refusal(Refusal.PATH)
