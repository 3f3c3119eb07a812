"""Whether the browser that asks is a shared tablet: it holds a long secret in a cookie."""

from flask import current_app, g
from werkzeug.exceptions import HTTPException
from werkzeug.routing import RequestRedirect
from werkzeug.wrappers import Response

from tracelog.audit import Actor
from tracelog.db import reading
from tracelog.people.permissions import may_act
from tracelog.people.secrets import token_hash
from tracelog.people.tablet_queries import TabletView, tablet_with
from tracelog.web.request import PUBLIC, house, permission_of, the_lines_now
from tracelog.web.security import keep_cookie, read_cookie

TABLET_COOKIE = "tracelog_tablet"
# As long as browsers keep any cookie; it is set anew whenever somebody signs in.
KEPT_SECONDS = 400 * 86_400
_HERE = "tracelog_tablet_here"


def tablet_here() -> TabletView | None:
    """The shared tablet that this browser is, None if it is none or was revoked."""
    if _HERE not in g:
        secret = read_cookie(TABLET_COOKIE)
        found = None
        if secret:
            with reading(house().engine) as session:
                found = tablet_with(session, token_hash(secret))
        setattr(g, _HERE, found)
    here: TabletView | None = getattr(g, _HERE)
    return here


def remember_tablet(response: Response, secret: str | None = None) -> None:
    """Let the browser keep its secret; None: the one that it sent, for longer.

    Scripts cannot read it, and other sites' forms do not send it.
    """
    kept = secret or read_cookie(TABLET_COOKIE)
    if kept:
        keep_cookie(response, TABLET_COOKIE, kept, KEPT_SECONDS)


def start_page(tablet: TabletView) -> str:
    """Where who signs in at a tablet begins: the Log, of the tablet's line where it has one."""
    line = line_number(tablet)
    return "/log" if line is None else f"/log?line={line}"


def line_number(tablet: TabletView) -> int | None:
    """The number of the tablet's line, None if it stands anywhere."""
    if tablet.line_id is None:
        return None
    return next((line for line, own in the_lines_now().items() if own == tablet.line_id), None)


def onward_for(actor: Actor, target: str, otherwise: str) -> str:
    """Where somebody goes on: where the last one was, unless they may not look at that.

    Args:
        actor: who has just signed in.
        target: a safe address of this site.
        otherwise: where else.
    """
    path = target.partition("?")[0]
    try:
        endpoint, _values = current_app.url_map.bind("").match(path, method="GET")
    except (HTTPException, RequestRedirect):
        return otherwise
    wanted = permission_of(current_app.view_functions[endpoint])
    if wanted == PUBLIC or wanted is None or not may_act(actor, wanted):
        return otherwise
    return target
