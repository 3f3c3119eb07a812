"""Every route and who may take it: no view is open by mistake."""

from collections.abc import Callable, Iterator
from typing import Any
from uuid import UUID

import pytest
from flask import Blueprint, Flask
from werkzeug.routing import (
    AnyConverter,
    BaseConverter,
    IntegerConverter,
    Rule,
    UUIDConverter,
)

from tests.support.site import CAST, Cast, Visit
from tracelog.people.permissions import EVERY_PERMISSION, ROLES, may
from tracelog.web.application import BLUEPRINTS
from tracelog.web.request import PUBLIC, permission_of, permit

# Views that answer people who have not signed in, each with its reason.
OPEN = {
    "assets.file": "style sheets and scripts, the same for everybody",
    "health.live": "a supervisor process has no account",
    "health.ready": "a supervisor process has no account",
    "openapi.get_calls": "says how to call, and nothing of what is kept",
    "openapi.get_description": "says how to call, and nothing of what is kept",
    "people.sign_in": "how else would they get in",
    "people.sign_in_now": "how else would they get in",
    "people.sign_out": "ends a session, whatever is left of it",
    "pins.choose": "names at a shared tablet; elsewhere it leads on to signing in",
    "pins.pad": "the number pad of a shared tablet; elsewhere it leads on to signing in",
    "pins.enter": "how else would they get in; only where the browser is a shared tablet",
    "pins.lock": "ends a session, whatever is left of it",
    "wall.board": "the address is the key: a token that opens this screen to be read, only",
    "wall.events": "the address is the key",
    "wall.state": "the address is the key",
    "offline.worker": "the browser asks for it by itself, and it says nothing of what is kept",
    "offline.without_network": "says what works without network, the same for everybody",
    "tablet.contact": "tells strangers the time alone",
    "people.choose_look": "light or dark, kept in their own browser",
    "languages.choose": "the language to read in, kept in their own browser",
}
pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


def _example(converter: BaseConverter) -> Any:
    if isinstance(converter, AnyConverter):
        return min(converter.items)
    if isinstance(converter, UUIDConverter):
        return UUID(int=7)
    return 9 if isinstance(converter, IntegerConverter) else "x"


def routes(app: Flask) -> Iterator[tuple[Rule, str, str]]:
    """Each rule, method and address, with something in place of what is variable."""
    for rule in app.url_map.iter_rules():
        values = {name: _example(converter) for name, converter in rule._converters.items()}
        built = rule.build(values, append_unknown=False)
        assert built is not None, rule
        for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"}):
            yield rule, method, built[1]


def test_every_view_is_marked_and_only_these_are_open(application: Flask) -> None:
    marks = {name: permission_of(view) for name, view in application.view_functions.items()}
    assert {name for name, mark in marks.items() if mark is None} == set()
    assert {name for name, mark in marks.items() if mark == PUBLIC} == set(OPEN)
    assert {mark for mark in marks.values() if mark != PUBLIC} <= EVERY_PERMISSION


def test_strangers_reach_nothing_but_the_open_views(application: Flask) -> None:
    let_in = []
    for rule, method, address in routes(application):
        answer = application.test_client().open(address, method=method)
        if rule.endpoint in OPEN:
            continue
        is_call = address.startswith("/api/")
        expected = 401 if is_call or method != "GET" else 302
        if answer.status_code != expected:
            let_in.append(f"{method} {address}: {answer.status_code}")
        elif expected == 302:
            assert answer.location.startswith("/sign-in?next=")
    assert let_in == []


@pytest.mark.parametrize("role", ROLES)
def test_each_role_reaches_what_it_may_and_nothing_else(
    application: Flask, visit: Visit, cast: Cast, role: str
) -> None:
    cast.sign_in(visit, role)
    wrong = []
    for rule, method, address in routes(application):
        wanted = permission_of(application.view_functions[rule.endpoint])
        if wanted in (PUBLIC, None):
            continue
        # Without a proof of origin a write that is permitted goes no further than that.
        answer = visit.client.open(address, method=method)
        is_refused = answer.status_code == 403
        if is_refused == may(role, str(wanted)):
            wrong.append(f"{method} {address} needs {wanted}: {answer.status_code}")
    assert wrong == []


def test_a_view_without_a_mark_answers_nobody(application: Flask, visit: Visit, cast: Cast) -> None:
    application.add_url_rule("/forgotten", "forgotten", lambda: "secret")
    cast.sign_in(visit, "administrator")
    answer = visit.get("/forgotten")
    assert answer.status_code == 403
    assert "secret" not in answer.text


def test_an_application_with_a_mistyped_permission_does_not_start(
    own_engine: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tests.support.site import application_on
    from tracelog.web import health

    marked: Callable[..., Any] = permit("log entrys")(lambda: "x")
    faulty = Blueprint("faulty", __name__)
    faulty.add_url_rule("/faulty", "page", marked)
    monkeypatch.setattr(health, "faulty", faulty, raising=False)
    monkeypatch.setattr(
        "tracelog.web.application.BLUEPRINTS", (*BLUEPRINTS, "tracelog.web.health:faulty")
    )
    with pytest.raises(ValueError, match="'log entrys'"):
        application_on(own_engine, tmp_path)


def test_the_administrators_link_is_shown_to_administrators_only(visit: Visit, cast: Cast) -> None:
    for role in CAST:
        visit.client.delete_cookie("tracelog")
        cast.sign_in(visit, role)
        assert ('href="/accounts"' in visit.get("/me").text) == (role == "administrator")
