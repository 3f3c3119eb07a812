"""Whole pages that a browser asks for again while nothing of what they show has changed."""

from collections.abc import Callable, Hashable
from typing import Any

from flask import current_app, g, request, session

from tracelog.language import language
from tracelog.web.request import current_visitor, house

_PROOF, _MESSAGES = "csrf_token", "_flashes"


def kept_page(version: Hashable, name: str, make: Callable[[], str]) -> str:
    """A page as it was made for this browser and this version of what it shows, or made now.

    Who asks has been found out anew by then, and so has what stands around every page: whether
    something is unread, whether a backup failed. All else around it follows from the cookies that
    came with the request (session, proof of a form's origin, look), from who asks, and from the
    language.

    Args:
        version: of what the page itself shows, as for `Pieces`.
        name: of the page.
        make: renders it.
    """
    if _PROOF not in session or _MESSAGES in session:
        # The first page of a session makes the proof; a message is shown once.
        return make()
    shown: dict[str, Any] = current_app.jinja_env.globals
    around = (
        *(request.host, request.script_root, request.full_path),
        request.headers.get("Cookie"),
        *(current_visitor(), language()),
        *(shown["unread_notices"](), shown["backup_trouble"](), g.get("tracelog_tablet")),
    )
    return house().pieces.piece(version, ("page", name, around), make)
