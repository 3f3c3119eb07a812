"""One session and one commit per request; tokens and cookies; a busy database."""

from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from flask import Blueprint, Flask
from sqlalchemy import Engine, event
from sqlalchemy.exc import OperationalError

from tests.support.clock import Clock
from tests.support.site import CAST, Cast, Visit
from tracelog import audit
from tracelog.audit import Subject
from tracelog.db import reading, writing
from tracelog.errors import Conflict
from tracelog.people import actions, queries
from tracelog.web.request import (
    current_actor,
    current_session,
    now,
    permit,
    the_plant_now,
)

SUBJECT = Subject("trial", "one")


def write() -> None:
    audit.append(current_session(), current_actor(), now(), "try", SUBJECT)


@pytest.fixture
def trial(application: Flask) -> Flask:
    """The application with a few views of our own."""
    pages = Blueprint("trial", __name__)

    @pages.route("/trial/<int:status>", methods=["GET", "POST"])
    @permit("see")
    def answer(status: int) -> tuple[str, int]:
        write()
        return "done", status

    @pages.post("/trial/conflict")
    @permit("see")
    def conflict() -> str:
        write()
        raise Conflict("was accepted before", "line")

    @pages.post("/trial/crash")
    @permit("see")
    def crash() -> str:
        write()
        raise ZeroDivisionError

    @pages.get("/trial/plant")
    @permit("see")
    def plant() -> str:
        return the_plant_now().name

    @pages.post("/api/v1/trial")
    @permit("log entry")
    def call() -> dict[str, str | None]:
        write()
        actor = current_actor()
        return {"name": actor.name, "role": actor.role, "door": actor.door}

    application.register_blueprint(pages)
    return application


def trials(engine: Engine) -> list[tuple[str, datetime]]:
    with reading(engine) as session:
        rows = session.query(audit.AuditRecord).filter_by(action="try").all()
        return [(row.actor, row.at) for row in rows]


@pytest.mark.parametrize(
    ("path", "status", "kept"),
    [
        ("/trial/200", 200, 1),
        ("/trial/303", 303, 1),
        ("/trial/400", 400, 0),
        ("/trial/503", 503, 0),
        ("/trial/conflict", 409, 0),
        ("/trial/crash", 500, 0),
    ],
)
def test_a_request_that_succeeds_is_kept_and_any_other_undone(
    trial: Flask, visit: Visit, cast: Cast, own_engine: Engine, path: str, status: int, kept: int
) -> None:
    cast.sign_in(visit, "planner")
    visit.get("/me")
    assert visit.post(path).status_code == status
    assert len(trials(own_engine)) == kept


def test_looking_changes_nothing(
    trial: Flask, visit: Visit, cast: Cast, own_engine: Engine, database_kind: str
) -> None:
    cast.sign_in(visit, "planner")
    answer = visit.get("/trial/200")
    # SQLite lets it write and throws it away; PostgreSQL refuses at once.
    assert answer.status_code == (500 if database_kind == "postgresql" else 200)
    assert trials(own_engine) == []


def test_now_is_the_clock_of_the_request(
    trial: Flask, visit: Visit, cast: Cast, own_engine: Engine, clock: Clock
) -> None:
    cast.sign_in(visit, "planner")
    visit.get("/me")
    moment = clock.forward(timedelta(minutes=90))
    visit.post("/trial/200")
    assert trials(own_engine) == [("pedro", moment)]


def test_without_a_plant_the_page_says_so(trial: Flask, visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "planner")
    answer = visit.get("/trial/plant")
    assert answer.status_code == 409
    assert "No plant is set up here yet. An administrator does that; ask " in answer.text


def test_a_form_without_our_proof_is_refused_and_nothing_kept(
    trial: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    for fields in ({}, {"csrf_token": "made up"}):
        answer = visit.client.post("/trial/200", data=fields)
        assert answer.status_code == 400
        assert "not from your present session" in answer.text
    assert trials(own_engine) == []


def test_a_call_with_a_cookie_needs_our_proof_too(
    trial: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "operator")
    visit.get("/me")
    refused = visit.client.post("/api/v1/trial", json={})
    assert (refused.status_code, refused.mimetype) == (400, "application/problem+json")
    proof = {"X-CSRFToken": visit._proof}
    answer = visit.client.post("/api/v1/trial", json={}, headers=proof)
    assert answer.get_json() == {"name": "olga", "role": "operator", "door": "api"}
    assert len(trials(own_engine)) == 1


@pytest.fixture
def token(own_engine: Engine, cast: Cast, now: datetime) -> Callable[..., str]:
    """Makes a token of the planner."""

    def make(role: str = "operator", days: float | None = None) -> str:
        person = cast.join("planner")
        ends = None if days is None else now + timedelta(days=days)
        with writing(own_engine) as session:
            account = queries.account_named(session, person.name)
            return actions.create_token(
                session, account, "gateway", role, CAST["administrator"].actor(), now, ends
            )

    return make


def call(app: Flask, secret: str, path: str = "/api/v1/trial") -> tuple[int, dict[str, str]]:
    answer = app.test_client().post(path, headers={"Authorization": f"Bearer {secret}"})
    return answer.status_code, answer.get_json(silent=True) or {}


def test_a_token_acts_in_its_own_role_without_a_cookie(
    trial: Flask, token: Callable[..., str], own_engine: Engine
) -> None:
    status, body = call(trial, token("operator"))
    assert (status, body) == (200, {"name": "pedro/gateway", "role": "operator", "door": "api"})
    assert [name for name, _at in trials(own_engine)] == ["pedro/gateway"]
    with reading(own_engine) as session:
        assert queries.tokens(session)[0].last_used_at is not None


def test_a_token_is_no_key_to_the_pages(trial: Flask, token: Callable[..., str]) -> None:
    status, _body = call(trial, token("planner"), "/trial/200")
    assert status == 401


def test_a_token_that_does_not_open_is_told(
    trial: Flask, token: Callable[..., str], own_engine: Engine, clock: Clock, now: datetime
) -> None:
    secret = token("operator", days=1)
    assert call(trial, "tlk_made_up")[0] == 401
    assert call(trial, "")[0] == 401
    assert call(trial, secret)[0] == 200
    clock.forward(timedelta(days=1))
    answer = trial.test_client().post(
        "/api/v1/trial", headers={"Authorization": f"Bearer {secret}"}
    )
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert answer.get_json()["detail"] == "The token is not known, has expired or was revoked."


@pytest.mark.parametrize("what", ["revoked", "disabled", "demoted"])
def test_a_token_stops_with_what_it_rests_on(
    trial: Flask, token: Callable[..., str], own_engine: Engine, now: datetime, what: str
) -> None:
    secret = token("planner")
    ada = CAST["administrator"].actor()
    with writing(own_engine) as session:
        account = queries.account_named(session, "pedro")
        if what == "revoked":
            actions.revoke_token(session, queries.tokens(session)[0].id, ada, now)
        elif what == "disabled":
            actions.set_active(session, account.id, active=False, actor=ada, now=now)
        else:
            actions.change_role(session, account.id, "operator", ada, now)
    assert call(trial, secret)[0] == 401


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_busy_database_is_told_in_one_sentence(
    trial: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    visit.get("/me")
    event.listen(
        own_engine, "connect", lambda raw, record: raw.execute("PRAGMA busy_timeout=1").close()
    )
    own_engine.dispose()  # those that are open already would wait for half a minute
    with writing(own_engine) as session:
        audit.append(session, CAST["planner"].actor(), JOINED, "hold", SUBJECT)
        answer = visit.post("/trial/200")
        called = visit.client.post("/api/v1/trial", headers={"X-CSRFToken": visit._proof})
    for busy in (answer, called):
        assert busy.status_code == 503
        assert busy.headers["Retry-After"] == "5"
        assert "busy or out of reach" in busy.text
    assert called.mimetype == "application/problem+json"
    assert "<h1>" in answer.text
    assert visit.post("/trial/200").status_code == 200


JOINED = datetime.fromisoformat("2026-01-02T08:00:00+00:00")


def test_a_database_that_is_gone_is_told_and_not_asked_again(
    trial: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    asked = []

    def gone(*_arguments: object) -> None:
        asked.append(1)
        raise OperationalError("SELECT", {}, Exception("server closed the connection"))

    event.listen(own_engine, "before_cursor_execute", gone)
    for path in ("/me", "/nothing-here"):
        asked.clear()
        answer = visit.get(path)
        assert answer.status_code in {503, 404}
        assert len(asked) == 1
        assert "<h1>" in answer.text
    assert visit.get("/api/v1/health/ready").status_code == 503
    assert visit.get("/api/v1/health/live").status_code == 200
    event.remove(own_engine, "before_cursor_execute", gone)
    assert visit.get("/me").status_code == 200


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_faulty_sql_is_our_fault_and_not_the_databases(
    trial: Flask, visit: Visit, cast: Cast
) -> None:
    trial.add_url_rule(
        "/trial/sql",
        "sql",
        permit("see")(lambda: current_session().connection().exec_driver_sql("SELECT x FROM y")),
    )
    cast.sign_in(visit, "planner")
    assert visit.get("/trial/sql").status_code == 500


def test_the_connection_goes_back_after_each_request(
    trial: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    for path in ("/me", "/trial/plant", "/nothing"):
        visit.get(path)
    visit.get("/me")
    visit.post("/trial/crash")
    assert own_engine.pool.checkedout() == 0  # type: ignore[attr-defined]
