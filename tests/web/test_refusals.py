"""What looks like an attempt to get around leaves a line of its own kind, with no secret in it."""

import io
import json
import logging
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine

from tests.support import tree
from tests.support.site import CAST, Cast, Visit
from tracelog.db import writing
from tracelog.logs import JsonLines
from tracelog.people import actions, queries
from tracelog.web.refusals import Refusal

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
Refused = Callable[[], list[dict[str, Any]]]


@pytest.fixture
def refused() -> Iterator[Refused]:
    """The lines of refusals since it was last asked."""
    written = io.StringIO()
    handler = logging.StreamHandler(written)
    handler.setFormatter(JsonLines())
    ours = logging.getLogger("tracelog.web.refusals")
    ours.addHandler(handler)

    def since() -> list[dict[str, Any]]:
        lines = [json.loads(line) for line in written.getvalue().splitlines()]
        written.seek(0)
        written.truncate()
        return lines

    yield since
    ours.removeHandler(handler)


def kinds(lines: list[dict[str, Any]]) -> list[str]:
    return [line["kind"] for line in lines]


def test_wrong_proofs_and_forged_cookies_are_told(
    application: Flask, visit: Visit, cast: Cast, refused: Refused
) -> None:
    cast.sign_in(visit, "planner")
    visit.get("/me")
    assert refused() == []
    visit.client.post("/look", data={"csrf_token": "a-proof-made-up"})
    (line,) = refused()
    assert (line["event"], line["level"]) == ("refused", "warning")
    assert line["kind"] == "proof of the form"
    assert (line["method"], line["route"], line["door"]) == ("POST", "/look", "page")
    assert len(line["account"]) == 36
    assert len(line["request_id"]) == 16
    assert "made-up" not in json.dumps(line)
    kept = visit.client.get_cookie("tracelog")
    assert kept is not None
    content, _dot, signature = kept.value.rpartition(".")
    for forged in ("forged", f"{content}.{signature[::-1]}", content):
        thief = Visit(application.test_client())
        thief.client.set_cookie("tracelog", forged)
        assert thief.get("/me").status_code == 302
        lines = refused()
        assert kinds(lines) == ["signature of the cookie"], forged
        assert lines[0]["account"] is None
        assert content not in json.dumps(lines)
    visit.get("/me")
    assert refused() == []


def test_a_cookie_that_is_only_old_is_no_forgery(
    application: Flask, visit: Visit, cast: Cast, refused: Refused
) -> None:
    cast.sign_in(visit, "planner")
    kept = visit.client.get_cookie("tracelog")
    assert kept is not None
    application.permanent_session_lifetime = -1  # type: ignore[assignment]
    visit.client.set_cookie("tracelog", kept.value)
    assert visit.get("/me").status_code == 302
    assert refused() == []


def test_tokens_roles_and_scopes_that_do_not_reach_are_told(
    visit: Visit, cast: Cast, own_engine: Engine, now: datetime, refused: Refused
) -> None:
    person = cast.join("planner")
    ada = CAST["administrator"].actor()
    with writing(own_engine) as session:
        account = queries.account_named(session, person.name)
        token = actions.create_token(
            session, account, "gateway", "operator", ada, now, scopes=("reading",)
        )
    for sent, kind, wanted in (
        ("tlk_not-known-by-anybody", "token", None),
        (token, "scope of the token", "log entry"),
    ):
        visit.client.post("/api/v1/defects", json={}, headers={"Authorization": f"Bearer {sent}"})
        (line,) = refused()
        assert (line["kind"], line["permission"]) == (kind, wanted)
        assert line["route"] == "/api/v1/defects"
        assert sent not in json.dumps(line)
    cast.sign_in(visit, "operator")
    visit.get("/accounts")
    (line,) = refused()
    assert (line["kind"], line["permission"]) == ("role", "manage accounts")


def test_paths_hosts_and_repeats_are_told(
    application: Flask, visit: Visit, cast: Cast, refused: Refused
) -> None:
    for path in (
        "/static/x/../../secret-key",
        "/static/x/..%2f..%2fsecret-key",
        "/static/x/..\\secret-key",
        "/static/x/%252e%252e/secret-key",
        "/static/x/tracelog.css%00.png",
    ):
        assert visit.client.open(path).status_code == 404, path
        lines = refused()
        assert kinds(lines) == ["path"], path
        assert "secret-key" not in json.dumps(lines)
    for path in ("/static/x/tracelog.css", "/log?x=../..", "/a..b", "/no/...such"):
        visit.get(path)
    assert refused() == []
    application.config["TRUSTED_HOSTS"] = ["tracelog.example"]
    visit.client.get("/sign-in", headers={"Host": "elsewhere.example"})
    lines = refused()
    assert kinds(lines) == ["name of the host"]
    assert "elsewhere" not in json.dumps(lines)
    application.config["TRUSTED_HOSTS"] = None
    visit.get("/sign-in?next=/me&next=/log")
    assert kinds(refused()) == ["given twice"]


def test_too_many_attempts_are_told_once_they_have_to_wait(
    visit: Visit, cast: Cast, refused: Refused
) -> None:
    person = cast.join("planner")
    visit.get("/sign-in")
    for _turn in range(6):
        answer = visit.post("/sign-in", name=person.name, secret="not the right one")
    assert answer.status_code == 429
    lines = refused()
    assert kinds(lines) == ["too many attempts"]
    assert person.name not in json.dumps(lines)
    assert "not the right one" not in json.dumps(lines)


def test_the_guide_names_every_kind(application: Flask) -> None:
    guide = tree.text(tree.ROOT / "docs" / "operating.md")
    table = guide.split("| `kind` |")[1].split("\n\n")[0]
    assert [kind for kind in Refusal if f"`{kind.value}`" not in table] == []
