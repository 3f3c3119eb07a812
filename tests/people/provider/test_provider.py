"""Signing in by an identity provider, against one that signs as a real one does."""

import base64
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
import requests
from flask import Flask
from joserfc import jwt
from joserfc.jwk import OctKey, RSAKey
from sqlalchemy import Engine, select

from tests.people.provider.provider import CLIENT, SECRET, SmallProvider, small_provider
from tests.support.clock import Clock
from tests.support.site import Cast, Visit
from tracelog.audit import AuditRecord
from tracelog.config import Settings
from tracelog.db import reading, writing
from tracelog.errors import TracelogError
from tracelog.people import actions, queries
from tracelog.people.models import Account, Identity, OpenSession
from tracelog.people.provider.settings import read_provider, read_roles
from tracelog.people.provider.talking import _AGAIN_AFTER_SECONDS
from tracelog.people.provider.views import furnish_provider

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@pytest.fixture
def provider(application: Flask, clock: Clock) -> Iterator[SmallProvider]:
    """The application's provider; people of `planners` become planners."""
    with small_provider(clock) as own:
        settings = application.extensions["tracelog"].settings
        furnish_provider(application, _with(settings, own, "planners=planner, lab=quality"))
        yield own


def _with(settings: Settings, own: SmallProvider, roles: str = "") -> Settings:
    return replace(
        settings,
        oidc_issuer=own.issuer,
        oidc_client_id=CLIENT,
        oidc_client_secret=SECRET,
        oidc_name="the plant's directory",
        oidc_roles=roles,
    )


def go(visit: Visit, path: str = "/sign-in/provider?next=/me") -> str:
    """To the provider and, as a browser follows it, the address that it sends back to."""
    there = visit.get(path)
    assert there.status_code == 302, there.text
    sent_back = requests.get(there.location, allow_redirects=False, timeout=10)
    return str(sent_back.headers["Location"]).removeprefix("http://localhost")


def sign_in(visit: Visit, path: str = "/sign-in/provider?next=/me") -> Any:
    return visit.get(go(visit, path))


def rows(engine: Engine, model: Any) -> list[Any]:
    with reading(engine) as session:
        found = list(session.scalars(select(model)))
        session.expunge_all()
        return found


def test_a_new_person_gets_the_role_of_the_mapping_and_is_known_again(
    visit: Visit, provider: SmallProvider, own_engine: Engine
) -> None:
    provider.claims = {"preferred_username": "Nora.K", "name": "Nora", "groups": ["x", "lab"]}
    assert "Sign in by the plant&#39;s directory" in visit.get("/sign-in").text
    answer = sign_in(visit)
    assert (answer.status_code, answer.location) == (303, "/me"), answer.text
    assert "Signed in as nora.k, quality" in visit.get("/me").text
    (account,) = rows(own_engine, Account)
    (link,) = rows(own_engine, Identity)
    assert (link.issuer, link.subject, link.account_id) == (
        provider.issuer,
        "248289761001",
        account.id,
    )
    assert rows(own_engine, OpenSession)[0].way == "provider"
    # Another name and group there change nothing here: the subject counts.
    provider.claims = {"preferred_username": "other", "groups": ["planners"]}
    visit.get("/me")
    out = visit.post("/sign-out")
    assert out.location == "/sign-in?ended=provider"
    assert "/sign-out/provider" in visit.get(out.location).text
    ended = visit.get("/sign-out/provider").location
    assert ended.startswith(f"{provider.issuer}/end?client_id={CLIENT}&post_logout_redirect_uri=")
    sign_in(visit)
    assert "Signed in as nora.k, quality" in visit.get("/me").text
    told = [record.action for record in rows(own_engine, AuditRecord)]
    assert told == ["create account", "link account", "sign in", "sign out", "sign in"]


def test_nobody_is_made_without_a_mapped_role_a_name_or_where_the_name_is_taken(
    visit: Visit, provider: SmallProvider, cast: Cast, own_engine: Engine
) -> None:
    person = cast.join("administrator")
    for claims, why in (
        ({"preferred_username": "eve", "groups": ["others"]}, "you have no account here"),
        ({"preferred_username": "eve", "groups": ["administrator"]}, "no account here"),
        ({"groups": ["lab"]}, "no name of yours"),
        # Neither a name nor a mail address makes somebody the same person.
        (
            {"preferred_username": person.name, "email": "ada@plant.example", "groups": ["lab"]},
            "is taken",
        ),
    ):
        provider.claims = claims
        answer = sign_in(visit)
        assert answer.status_code in (403, 409)
        assert why.lower() in answer.text.lower()
    assert visit.get("/me").status_code == 302
    assert len(rows(own_engine, Account)) == 1
    assert rows(own_engine, Identity) == []


def test_an_account_is_linked_by_whoever_is_signed_in_to_it(
    application: Flask, visit: Visit, provider: SmallProvider, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "administrator")
    assert "is not linked" in visit.get("/me").text
    assert sign_in(visit, "/sign-in/provider?link=yes").location == "/me"
    assert "Your account is linked." in visit.get("/me").text
    other = Visit(application.test_client())
    sign_in(other)
    assert "Signed in as ada, administrator" in other.get("/me").text
    # The same subject is nobody else's.
    third = Visit(application.test_client())
    cast.sign_in(third, "planner")
    assert sign_in(third, "/sign-in/provider?link=yes").status_code == 409
    assert visit.client.get("/sign-in/provider?link=yes").status_code == 302
    visit.get("/me")
    visit.post("/me/provider/unlink")
    assert rows(own_engine, Identity) == []
    assert Visit(application.test_client()).get("/sign-in/provider?link=yes").status_code == 403


def test_a_disabled_account_stays_out(
    visit: Visit, provider: SmallProvider, own_engine: Engine, cast: Cast, clock: Clock
) -> None:
    provider.claims = {"preferred_username": "nora", "groups": ["lab"]}
    sign_in(visit)
    ada = cast.join("administrator").actor()
    with writing(own_engine) as session:
        nora = queries.account_named(session, "nora")
        actions.set_active(session, nora.id, active=False, actor=ada, now=clock.instant)
    assert "account is disabled" in sign_in(visit).text
    assert visit.get("/me").status_code == 302


def _demanding(application: Flask, own: SmallProvider, **wanted: str) -> None:
    settings = application.extensions["tracelog"].settings
    whole = _with(settings, own, "planners=planner, lab=quality")
    furnish_provider(application, replace(whole, **wanted))


def test_a_sign_in_must_be_as_strong_as_the_settings_demand(
    application: Flask, visit: Visit, provider: SmallProvider, clock: Clock, own_engine: Engine
) -> None:
    person = {"preferred_username": "nora", "groups": ["lab"]}
    just_now = int(clock.instant.timestamp())
    _demanding(
        application, provider, oidc_acr="gold, silver", oidc_amr="otp,pwd", oidc_max_age="30"
    )
    asked = parse_qs(urlsplit(visit.get("/sign-in/provider").location).query)
    assert (asked["acr_values"], asked["max_age"]) == (["gold silver"], ["1800"])
    strong = {"acr": "silver", "amr": ["pwd", "otp", "x"], "auth_time": just_now - 1800}
    refused = {
        "no class": strong | {"acr": None},
        "another class": strong | {"acr": "bronze"},
        "a class that is no text": strong | {"acr": ["silver"]},
        "no methods": strong | {"amr": None},
        "one method": strong | {"amr": ["pwd"]},
        "methods that are no list": strong | {"amr": "otp pwd"},
        "no time": strong | {"auth_time": None},
        "long ago": strong | {"auth_time": just_now - 1800 - 61},
        "a time to come": strong | {"auth_time": just_now + 61},
        "a time that is none": strong | {"auth_time": "now"},
        "a time beyond all calendars": strong | {"auth_time": 10**18},
    }
    for name, told in refused.items():
        provider.claims = person | {key: one for key, one in told.items() if one is not None}
        answer = sign_in(visit)
        # What is not even of the right shape is refused with the token as a whole.
        is_whole = not re.search(r"\bno text\b|\bno list\b|\bis none\b", name)
        assert answer.status_code in ({403} if is_whole else {400, 403}), name
        if answer.status_code == 403:
            assert "The provider does not say that" in answer.text, name
    assert rows(own_engine, Account) == rows(own_engine, OpenSession) == []
    provider.claims = person | strong
    assert sign_in(visit).status_code == 303


def test_without_such_settings_what_the_provider_says_of_strength_changes_nothing(
    visit: Visit, provider: SmallProvider
) -> None:
    for told in ({}, {"acr": "0", "amr": ["pwd"], "auth_time": 1}):
        provider.claims = {"preferred_username": "nora", "groups": ["lab"], **told}
        assert sign_in(visit).status_code == 303


def test_whoever_came_by_the_provider_proves_there_anew_that_it_is_they(
    application: Flask, visit: Visit, provider: SmallProvider, clock: Clock
) -> None:
    provider.claims = {"preferred_username": "nora", "groups": ["lab"]}
    began = int(clock.instant.timestamp())
    sign_in(visit)
    clock.forward(timedelta(hours=1))
    page = visit.get("/me/sessions").text
    assert 'name="present"' not in page
    anew = "/sign-in/provider?anew=yes&next=/me/sessions"
    assert anew.replace("&", "&amp;") in page
    refused = visit.post("/me/sessions/prove", present="anything")
    assert (refused.status_code, "by the provider once more" in refused.text) == (403, True)
    assert visit.post("/me/sessions/end").status_code == 403
    asked = parse_qs(urlsplit(visit.get(anew).location).query)
    assert (asked["prompt"], asked["max_age"]) == (["login"], ["0"])
    # A provider that did not ask, and says so or says nothing, has proved nothing.
    for told in ({}, {"auth_time": began}):
        provider.claims |= told
        assert "asked you just now" in sign_in(visit, anew).text
        assert "Prove that it is you" in visit.get("/me/sessions").text
    provider.claims |= {"auth_time": int(clock.instant.timestamp())}
    assert sign_in(visit, anew).location == "/me/sessions"
    assert "Prove that it is you" not in visit.get("/me/sessions").text
    assert visit.post("/me/sessions/end").location == "/sign-in"


def test_keys_may_be_rotated_and_of_either_kind(
    application: Flask,
    visit: Visit,
    provider: SmallProvider,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    provider.claims = {"preferred_username": "nora", "groups": ["lab"]}
    assert sign_in(visit).status_code == 303
    provider.rotate("ES256")
    # Not asked for at once again, so that nobody makes us ask by tokens of unknown keys.
    assert "not to be trusted" in sign_in(visit).text
    monkeypatch.setattr("tracelog.people.provider.talking._AGAIN_AFTER_SECONDS", 0.0)
    assert _AGAIN_AFTER_SECONDS > 0
    assert sign_in(visit).status_code == 303


def _unsigned(claims: dict[str, Any]) -> str:
    parts = [json.dumps(one).encode() for one in ({"alg": "none"}, claims)]
    return ".".join(base64.urlsafe_b64encode(one).rstrip(b"=").decode() for one in parts) + "."


def _by_our_secret(claims: dict[str, Any]) -> str:
    return jwt.encode({"alg": "HS256"}, claims, OctKey.import_key(SECRET * 3))


def _by_another_key(claims: dict[str, Any]) -> str:
    key = RSAKey.generate_key(2048, private=True)
    return jwt.encode({"alg": "RS256"}, claims, key)


SPOILT: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
    "another nonce": lambda claims: claims | {"nonce": "of somebody else's sign-in"},
    "no nonce": lambda claims: {name: claims[name] for name in claims if name != "nonce"},
    "another audience": lambda claims: claims | {"aud": "another application"},
    "two audiences without a party": lambda claims: claims | {"aud": ["another", "third"]},
    "another party": lambda claims: claims | {"aud": [CLIENT, "b"], "azp": "b"},
    "another issuer": lambda claims: claims | {"iss": "https://id.elsewhere.example"},
    "expired": lambda claims: claims | {"exp": claims["iat"] - 3600, "iat": claims["iat"] - 7200},
    "no end": lambda claims: {name: claims[name] for name in claims if name != "exp"},
    "no subject": lambda claims: {name: claims[name] for name in claims if name != "sub"},
    "a subject that is no text": lambda claims: claims | {"sub": 7},
    "another access token": lambda claims: claims | {"at_hash": "AAAAAAAAAAAAAAAAAAAAAA"},
}
FORGED = {"unsigned": _unsigned, "by our secret": _by_our_secret, "another key": _by_another_key}


def test_no_token_that_is_not_wholly_right_opens_anything(
    visit: Visit, provider: SmallProvider, own_engine: Engine
) -> None:
    provider.claims = {"preferred_username": "nora", "groups": ["lab"]}
    opened = []
    for name, spoil in SPOILT.items():
        provider.spoil = spoil
        opened += [name] if sign_in(visit).status_code < 400 else []
    provider.spoil = lambda claims: claims
    for name, sign in FORGED.items():
        provider.sign = sign
        opened += [name] if sign_in(visit).status_code < 400 else []
    assert opened == []
    assert visit.get("/me").status_code == 302
    assert rows(own_engine, Account) == rows(own_engine, OpenSession) == []
    provider.sign = None
    assert sign_in(visit).status_code == 303


def test_an_answer_counts_once_in_its_own_browser_and_soon(
    application: Flask, visit: Visit, provider: SmallProvider, clock: Clock
) -> None:
    provider.claims = {"preferred_username": "nora", "groups": ["lab"]}
    back = go(visit)
    # Somebody else's browser, with or without a flow of its own.
    other = Visit(application.test_client())
    assert other.get(back).status_code == 400
    other.get("/sign-in/provider")
    assert other.get(back).status_code == 400
    assert visit.get(back).status_code == 303
    visit.client.delete_cookie("tracelog")
    assert visit.get(back).status_code == 400
    # The cookie of the flow, copied before it was used: the provider's code is good once.
    back = go(visit)
    kept = visit.client.get_cookie("tracelog")
    assert kept is not None
    assert visit.get(back).status_code == 303
    other.client.set_cookie("tracelog", kept.value)
    assert other.get(back).status_code == 400
    late = go(visit)
    clock.forward(timedelta(minutes=11))
    assert "too long" in visit.get(late).text


def test_an_answer_of_another_provider_is_refused(visit: Visit, provider: SmallProvider) -> None:
    provider.claims = {"preferred_username": "nora", "groups": ["lab"]}
    provider.answers = {"iss": "https://id.elsewhere.example"}
    assert "another provider" in sign_in(visit).text
    provider.answers = {}
    without = go(visit).partition("&iss=")[0]
    assert "another provider" in visit.get(without).text
    provider.answers = {"error": "access_denied"}
    assert "did not sign you in" in sign_in(visit).text
    assert visit.get("/me").status_code == 302


def test_a_provider_that_names_itself_otherwise_or_is_gone_is_not_used(
    application: Flask, visit: Visit, clock: Clock
) -> None:
    settings = application.extensions["tracelog"].settings
    with small_provider(clock) as own:
        own.metadata = {"issuer": "https://id.elsewhere.example"}
        furnish_provider(application, _with(settings, own))
        refused = visit.get("/sign-in/provider")
        assert (refused.status_code, "otherwise than" in refused.text) == (400, True)
    assert "cannot be used just now" in visit.get("/sign-in/provider").text


def test_what_is_sent_to_the_provider_holds_no_secret(
    visit: Visit, provider: SmallProvider
) -> None:
    asked = parse_qs(urlsplit(visit.get("/sign-in/provider").location).query)
    assert set(asked) == {
        *("response_type", "client_id", "redirect_uri", "scope", "state", "nonce"),
        *("code_challenge", "code_challenge_method"),
    }
    assert asked["redirect_uri"] == ["http://localhost/sign-in/provider/back"]


def test_without_settings_there_is_no_button_and_no_way(visit: Visit) -> None:
    assert "/sign-in/provider" not in visit.get("/sign-in").text
    assert visit.get("/sign-in/provider").status_code == 404


def test_settings_that_are_not_safe_are_refused(application: Flask) -> None:
    whole = replace(
        application.extensions["tracelog"].settings,
        oidc_issuer="https://id.plant.example",
        oidc_client_id="x",
        oidc_client_secret="y",
    )
    assert read_provider(whole) is not None
    for changed, sentence in (
        ({"oidc_client_secret": None}, "TRACELOG_OIDC_CLIENT_SECRET is missing"),
        ({"oidc_issuer": "http://id.plant.example"}, "no https address"),
        ({"oidc_roles": "staff=administrator"}, "administrators are made by"),
        ({"oidc_roles": "staff"}, "write VALUE=ROLE"),
        ({"oidc_max_age": "0"}, "TRACELOG_OIDC_MAX_AGE: '0' is not right"),
        ({"oidc_max_age": "an hour"}, "write whole minutes, from 1 to 10080"),
        ({"oidc_max_age": "10081"}, "write whole minutes"),
    ):
        with pytest.raises(TracelogError, match=sentence):
            read_provider(replace(whole, **changed))
    assert read_roles("") == ()
