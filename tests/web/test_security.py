"""Headers on every answer, and nothing inline that they would refuse."""

import hashlib
import hmac
import re
from base64 import urlsafe_b64encode
from pathlib import Path

import pytest
from flask import Flask
from itsdangerous import URLSafeTimedSerializer
from sqlalchemy import Engine
from werkzeug.test import TestResponse

from tests.support import tree
from tests.support.site import TOKEN, Cast, Visit
from tracelog.config import Settings
from tracelog.web import security
from tracelog.web.application import create_application

TEMPLATES = [path for path in tree.files(".html") if path.parts[0] == "templates"]
INLINE = {
    "a style attribute": r"<[a-zA-Z][^>]*\sstyle\s*=",
    "an inline style sheet": r"<style\b",
    "a handler in the markup": r"<[a-zA-Z][^>]*\son[a-z]+\s*=",
    "an inline script": r"<script\b(?![^>]*\bsrc=)",
    "an address that is a script": r"javascript:",
    "an address elsewhere": r"(?:src|href|action)\s*=\s*[\"'](?:https?:)?//",
}


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_every_answer_carries_the_headers(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    for path in ("/sign-in?with=password", "/me", "/nothing", "/api/v1/health/live", "/api/v1/x"):
        headers = visit.get(path).headers
        policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
        for what in ("default-src", "script-src", "style-src", "form-action"):
            assert policy[what] == "'self'", (path, what)
        for what in ("frame-ancestors", "object-src", "base-uri"):
            assert policy[what] == "'none'", (path, what)
        assert headers["X-Content-Type-Options"] == "nosniff", path
        assert headers["X-Frame-Options"] == "DENY", path
        assert headers["Referrer-Policy"] == "same-origin", path
        assert headers["Cache-Control"] == "no-store", path


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_over_https_browsers_stay_there_and_cookies_belong_to_this_host(
    visit: Visit, cast: Cast
) -> None:
    assert "Strict-Transport-Security" not in visit.get("/sign-in").headers
    cast.join("operator")
    secure = {
        "base_url": "https://tracelog.example",
        "headers": {"Referer": "https://tracelog.example/sign-in"},
    }
    page = visit.client.get("/sign-in", **secure)
    assert page.headers["Strict-Transport-Security"] == "max-age=31536000; includeSubDomains"
    kept = [
        *page.headers.getlist("Set-Cookie"),
        *visit.client.post(
            "/look", data={"look": "dark", **_proof(page)}, **secure
        ).headers.getlist("Set-Cookie"),
        *visit.client.post(
            "/language", data={"language": "es", **_proof(page)}, **secure
        ).headers.getlist("Set-Cookie"),
    ]
    assert {one.partition("=")[0] for one in kept} == {
        "__Host-tracelog",
        "__Host-tracelog_look",
        "__Host-tracelog_language",
    }
    for one in kept:
        told = {part.strip() for part in one.split(";")[1:]}
        assert {"Secure", "HttpOnly", "Path=/", "SameSite=Lax"} <= told
        assert "Domain" not in one
    # What was kept is read again: the look and the language of the next page.
    later = visit.client.get("/sign-in", **secure).text
    assert 'lang="es"' in later
    assert 'data-look="dark"' in later


def _proof(page: TestResponse) -> dict[str, str]:
    found = TOKEN.search(page.text)
    assert found is not None
    return {"csrf_token": found[1]}


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_pages_are_answered_under_their_own_names_only(own_engine: Engine, tmp_path: Path) -> None:
    settings = Settings(
        database_url=str(own_engine.url),
        secret_key="a key that opens nothing but tests",
        data_dir=tmp_path,
        hosts="tracelog.example, log.example",
    )
    client = create_application(settings, engine=own_engine).test_client()
    for host, status in {
        "tracelog.example": 200,
        "log.example:8000": 200,
        "127.0.0.1:8000": 200,
        "elsewhere.example": 400,
        "tracelog.example.elsewhere.example": 400,
        "tracelog.example@elsewhere.example": 400,
    }.items():
        for path in ("/sign-in", "/api/v1/health/live"):
            answer = client.get(path, headers={"Host": host})
            assert answer.status_code == status, (host, path)
            assert "elsewhere" not in answer.text
    # Nor is what a proxy would say believed where none is named.
    told = client.get(
        "/sign-in", headers={"X-Forwarded-Proto": "https", "X-Forwarded-For": "10.1.1.1"}
    )
    assert "Strict-Transport-Security" not in told.headers


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_only_what_a_route_names_can_be_done_and_nothing_is_shared_with_other_sites(
    application: Flask, visit: Visit
) -> None:
    for method in ("TRACE", "CONNECT", "PROPFIND", "PUT"):
        assert visit.client.open("/sign-in", method=method).status_code == 405, method
    answer = visit.client.get(
        "/api/v1/health/live", headers={"Origin": "https://elsewhere.example"}
    )
    assert not [
        name for name, _value in answer.headers if name.lower().startswith("access-control")
    ]
    assert not application.debug
    rules = {rule.rule: rule.methods or set() for rule in application.url_map.iter_rules()}
    assert not [path for path, methods in rules.items() if {"TRACE", "CONNECT"} & methods]


def _signed_with_sha_256(text: str, salt: str) -> bool:
    """Worked out by hand: the last part is the MAC of the rest, its key made of key and salt."""
    told, _dot, signature = text.rpartition(".")
    key = hmac.digest(b"a key that opens nothing but tests", salt.encode(), "sha256")
    wanted = urlsafe_b64encode(hmac.digest(key, told.encode(), "sha256")).rstrip(b"=")
    return signature == wanted.decode()


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_cookies_and_proofs_of_forms_are_signed_with_sha_256_and_no_others_count(
    visit: Visit, cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    cast.sign_in(visit, "planner")
    visit.get("/me")
    cookie, proof = visit.client.get_cookie("tracelog"), visit._proof
    assert cookie is not None
    assert _signed_with_sha_256(cookie.value, "cookie-session")
    assert _signed_with_sha_256(proof, "tracelog-form")
    # The same content with the signature of the libraries, HMAC-SHA-1, opens nothing.
    with visit.client.session_transaction() as kept:
        content = dict(kept)
    by_library = URLSafeTimedSerializer(
        "a key that opens nothing but tests", salt="wtf-csrf-token"
    ).dumps(content["csrf_token"])
    with monkeypatch.context() as before:
        before.setattr(security.CookieWhenSecure, "digest_method", staticmethod(hashlib.sha1))
        older = security.CookieWhenSecure().get_signing_serializer(visit.client.application)
        assert older is not None
        old_cookie = older.dumps(content)
    assert visit.client.post("/look", data={"csrf_token": by_library}).status_code == 400
    assert visit.client.post("/look", data={"csrf_token": proof}).status_code == 303
    assert not _signed_with_sha_256(old_cookie, "cookie-session")
    visit.client.set_cookie("tracelog", old_cookie)
    assert visit.get("/me").location == "/sign-in?next=/me"


def test_templates_hold_nothing_that_the_browser_would_refuse() -> None:
    assert len(TEMPLATES) > 100
    found = []
    for path in TEMPLATES:
        # What Jinja puts in is not markup of ours; its own tags are taken out first.
        markup = re.sub(r"\{[%#{].*?[%#}]\}", "", tree.text(path), flags=re.DOTALL)
        found += [f"{path}: {what}" for what, seen in INLINE.items() if re.search(seen, markup)]
    assert found == []


@pytest.mark.parametrize(
    ("markup", "what"),
    [
        ('<p class="x" style="color: red">', "a style attribute"),
        ("<style>p {}</style>", "an inline style sheet"),
        ('<button onclick="go()">', "a handler in the markup"),
        ("<script>go()</script>", "an inline script"),
        ('<script src="https://plant.example/x.js">', "an address elsewhere"),
    ],
)
def test_what_would_be_refused_is_recognised(markup: str, what: str) -> None:
    assert re.search(INLINE[what], markup)
    assert not re.search(INLINE[what], '<p class="on style">one<script src="/x.js"></script>')


def test_every_form_that_writes_proves_its_origin() -> None:
    bare, forms = [], 0
    for path in TEMPLATES:
        for form in re.findall(r'<form\b[^>]*method="post".*?</form>', tree.text(path), re.DOTALL):
            forms += 1
            bare += [f"{path}: {form[:80]}"] if "token()" not in form else []
    assert forms > 50
    assert bare == []
