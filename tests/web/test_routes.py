"""Every route and who may take it: no view is open by mistake."""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

import pytest
from flask import Blueprint, Flask
from flask.testing import FlaskClient
from sqlalchemy import Engine
from werkzeug.routing import (
    AnyConverter,
    BaseConverter,
    IntegerConverter,
    Rule,
    UUIDConverter,
)

from tests.support.clock import Clock
from tests.support.site import CAST, Cast, Visit
from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.people import actions, queries, tablet_actions
from tracelog.people.permissions import EVERY_PERMISSION, ROLES, SCOPES, may_act
from tracelog.people.queries import AccountView
from tracelog.people.tablets import TABLET_COOKIE
from tracelog.web.application import BLUEPRINTS
from tracelog.web.request import PUBLIC, READING_METHODS, permission_of, permit

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
    "provider_pages.begin": "how else would they get in; leads on to the identity provider",
    "provider_pages.back": "how else would they get in; only with an answer of the provider",
    "provider_pages.sign_out": "leads on to the provider's own page, and says nothing else",
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


def routes(app: Flask) -> Iterator[tuple[Rule, str]]:
    """Each rule and an address of it, with something in place of what is variable."""
    for rule in app.url_map.iter_rules():
        values = {name: _example(converter) for name, converter in rule._converters.items()}
        built = rule.build(values, append_unknown=False)
        assert built is not None, rule
        yield rule, built[1]


def test_every_view_is_marked_and_only_these_are_open(application: Flask) -> None:
    marks = {name: permission_of(view) for name, view in application.view_functions.items()}
    assert {name for name, mark in marks.items() if mark is None} == set()
    assert {name for name, mark in marks.items() if mark == PUBLIC} == set(OPEN)
    assert {mark for mark in marks.values() if mark != PUBLIC} <= EVERY_PERMISSION


# Views that change something although whoever may see anything may do so, each with its reason.
WRITES_FOR_ALL_WHO_SEE = {"notices.read_notices": "marks one's own notices as read"}
EVERY_METHOD = ("DELETE", "GET", "HEAD", "OPTIONS", "PATCH", "POST", "PUT")
# Answered as GET is, and by the routing itself: strangers try both.
IDLE = {"HEAD", "OPTIONS"}
REACHED = 299


def leave_gates_alone(app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    """Put views that only say they are reached behind the application's checks.

    So the walk is quick, changes nothing, and no view's own answer is taken for the gate's.
    """
    monkeypatch.setattr("tracelog.web.problems.render_template", lambda *_what, **_with: "")
    for endpoint, view in app.view_functions.items():
        mark = permission_of(view)
        if mark:
            app.view_functions[endpoint] = permit(mark)(lambda **_values: ("", REACHED))


@dataclass(frozen=True)
class Walker:
    """Somebody who tries every door: a client, what it sends each time, and whom they act as."""

    client: FlaskClient
    headers: Mapping[str, str]
    actor: Actor | None

    def try_every_door(self, app: Flask, *, under: str = "/") -> list[str]:
        """What was answered otherwise than the table of permissions says."""
        wrong = []
        taken: defaultdict[str, set[str]] = defaultdict(set)
        for rule, _address in routes(app):
            taken[rule.rule] |= rule.methods or set()
        for rule, address in routes(app):
            if not address.startswith(under):
                continue
            # What no rule names is refused before anybody is asked for: strangers try it for all.
            own = rule.methods or set()
            others = set(EVERY_METHOD) - taken[rule.rule]
            for method in own | others if self.actor is None else own - IDLE:
                answer = self.client.open(address, method=method, headers=self.headers)
                wanted = self._wanted(app, rule, method)
                if answer.status_code not in wanted:
                    wrong.append(f"{method} {address}: {answer.status_code}, not {wanted}")
        return wrong

    def _wanted(self, app: Flask, rule: Rule, method: str) -> tuple[int, ...]:
        if method not in (rule.methods or ()):
            # Where another rule answers at that address, it asks who is there.
            return (404, 405, 401, 302)
        mark = str(permission_of(app.view_functions[rule.endpoint]))
        is_call = rule.rule.startswith("/api/")
        by_token = self.actor is not None and self.actor.door == "api"
        actor = None if by_token and not is_call else self.actor
        if mark == PUBLIC:
            # Signing in and the like ask for the form's proof, which a program has not.
            return (REACHED, 200) if actor or method in READING_METHODS or is_call else (303, 400)
        if actor is None:
            return (401,) if is_call or method not in READING_METHODS else (302,)
        return (REACHED,) if may_act(actor, mark) else (403,)


def test_every_write_needs_more_than_to_see(application: Flask) -> None:
    open_to_all = {
        rule.endpoint
        for rule, _address in routes(application)
        if {"POST", "PUT", "PATCH", "DELETE"} & (rule.methods or set())
        and permission_of(application.view_functions[rule.endpoint]) == "see"
    }
    assert open_to_all == set(WRITES_FOR_ALL_WHO_SEE)


def test_strangers_reach_nothing_but_the_open_views(
    application: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    leave_gates_alone(application, monkeypatch)
    client = application.test_client()
    assert Walker(client, {}, None).try_every_door(application) == []
    assert client.get("/accounts").location == "/sign-in?next=/accounts"


@pytest.mark.parametrize("role", ROLES)
def test_each_role_reaches_what_it_may_and_nothing_else(
    application: Flask,
    visit: Visit,
    cast: Cast,
    own_engine: Engine,
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
    role: str,
) -> None:
    """By password, by PIN at a shared tablet, by a token, and by a token with scopes."""
    person = cast.join(role)
    with writing(own_engine) as session:
        account = queries.account_named(session, person.name)
        whole, narrow = (
            actions.create_token(
                session, account, name, role, person.actor(), clock.instant, None, scopes
            )
            for name, scopes in (("whole", ()), ("narrow", ("logging",)))
        )
    at_tablet = _at_tablet(application, own_engine, account, clock)
    cast.sign_in(visit, role)
    scopes = SCOPES["logging"]
    walkers = {
        "password": Walker(visit.client, _proof(visit), person.actor()),
        "PIN": Walker(at_tablet.client, _proof(at_tablet), replace(person.actor(), by_pin=True)),
        "token": Walker(application.test_client(), _bearer(whole), person.actor("api")),
        "token with scopes": Walker(
            application.test_client(), _bearer(narrow), replace(person.actor("api"), scopes=scopes)
        ),
    }
    leave_gates_alone(application, monkeypatch)
    wrong = {
        how: walker.try_every_door(application, under="/api/" if "token" in how else "/")
        for how, walker in walkers.items()
    }
    assert {how: found[:20] for how, found in wrong.items() if found} == {}


def _proof(visit: Visit) -> Mapping[str, str]:
    assert visit.get("/me").status_code == 200
    return {"X-CSRFToken": visit._proof}


def _bearer(secret: str) -> Mapping[str, str]:
    return {"Authorization": f"Bearer {secret}"}


def _at_tablet(app: Flask, engine: Engine, account: AccountView, clock: Clock) -> Visit:
    sara = CAST["supervisor"].actor()
    with writing(engine) as session:
        tablet_actions.set_own_pin(session, account.id, "4029", sara, clock.instant)
        secret = tablet_actions.share_tablet(session, "line 1", None, "3", sara, clock.instant)
    tablet = Visit(app.test_client())
    tablet.client.set_cookie(TABLET_COOKIE, secret)
    tablet.get(f"/who/{account.id}")
    assert tablet.post(f"/who/{account.id}", pin="4029").status_code == 303
    return tablet


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
