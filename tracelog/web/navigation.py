"""The rooms that the navigation leads to, each by the address of its page."""

from collections.abc import Sequence
from dataclasses import dataclass

from flask import Flask, request
from werkzeug.exceptions import HTTPException
from werkzeug.routing import RequestRedirect

from tracelog.language import _
from tracelog.web.request import may, permission_of

# So many fit a screen of 360 px with their names.
BAR_PLACES = 5


@dataclass(frozen=True)
class Place:
    """One entry: its address, what it is called, the name of its picture."""

    path: str
    label: str
    picture: str
    is_here: bool


def _rooms() -> list[tuple[str, str, str]]:
    return [
        ("/", _("Floor"), "floor"),
        ("/log", _("Log"), "log"),
        ("/trace", _("Trace"), "trace"),
        ("/service", _("Service"), "service"),
        ("/trends", _("Trends"), "trends"),
        ("/holds", _("Holds"), "holds"),
        ("/cases", _("Cases"), "cases"),
        ("/complaints", _("Complaints"), "complaints"),
        ("/handover", _("Handover"), "handover"),
    ]


def _permission(app: Flask, path: str) -> str | None:
    """The permission of the page at `path`, None if there is no page."""
    try:
        endpoint, _values = app.url_map.bind("").match(path, method="GET")
    except (HTTPException, RequestRedirect):
        return None
    return permission_of(app.view_functions[endpoint])


def places(app: Flask) -> list[Place]:
    """What who asks can go to, in the order of the navigation."""
    found = []
    for path, label, picture in _rooms():
        permission = _permission(app, path)
        if permission is not None and may(permission):
            found.append(Place(path, label, picture, _is_here(path)))
    return found


def beyond_the_bar(rooms: Sequence[Place]) -> list[Place]:
    """The rooms for which a phone's bar has no place; there is one for five, the last for more."""
    return [] if len(rooms) <= BAR_PLACES else list(rooms[BAR_PLACES - 1 :])


def _is_here(path: str) -> bool:
    here = request.path
    if path == "/":
        # A machine's page is entered from the floor.
        return here == "/" or here.startswith("/machines/")
    if path == "/service" and (here == "/counters" or here.startswith("/counters/")):
        # What counters leave open is asked where due dates are looked after.
        return True
    return here == path or here.startswith(path + "/")
