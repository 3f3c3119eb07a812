"""Tokens of programs: narrowed to scopes, ended by a day, known by their last use."""

import json
from datetime import timedelta

import pytest
from flask import Flask
from sqlalchemy import Engine, select, update
from werkzeug.test import TestResponse

from tests.support.clock import Clock
from tests.support.command import Command
from tests.support.site import CAST, Cast, Visit
from tracelog.audit import Actor, AuditRecord
from tracelog.db import reading, writing
from tracelog.errors import NotAllowed, TracelogError
from tracelog.people import actions, queries
from tracelog.people.models import Token
from tracelog.people.scopes import LONGEST_LIFE, USUAL_LIFE
from tracelog.people.secrets import token_hash

ADA = CAST["administrator"].actor()
pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


def make(
    engine: Engine, cast: Cast, clock: Clock, *scopes: str, role: str = "planner", by: Actor = ADA
) -> str:
    person = cast.join(role)
    with writing(engine) as session:
        account = queries.account_named(session, person.name)
        return actions.create_token(
            session, account, "gateway", role, by, clock.instant, None, scopes
        )


def ask(app: Flask, secret: str, path: str, address: str = "192.0.2.9") -> TestResponse:
    return app.test_client().get(
        f"/api/v1{path}",
        headers={"Authorization": f"Bearer {secret}"},
        environ_base={"REMOTE_ADDR": address},
    )


def test_the_api_refuses_what_is_beyond_the_scopes_and_says_which(
    application: Flask, own_engine: Engine, cast: Cast, clock: Clock
) -> None:
    narrow = make(own_engine, cast, clock, "log entry")
    answer = ask(application, narrow, "/subscriptions")
    assert answer.status_code == 403
    assert "scopes do not include 'subscribe'" in answer.text
    whole = make(own_engine, cast, clock, role="supervisor")
    assert ask(application, whole, "/notices").status_code == 200


def test_it_ends_within_two_years_and_in_one_unless_said_otherwise(
    own_engine: Engine, cast: Cast, clock: Clock
) -> None:
    secret = make(own_engine, cast, clock)
    with writing(own_engine) as session:
        holder = queries.token_holder(session, token_hash(secret))
        assert holder is not None
        assert holder.token.expires_at == clock.instant + USUAL_LIFE
        late = clock.instant + LONGEST_LIFE + timedelta(seconds=1)
        with pytest.raises(TracelogError, match="more than two years"):
            actions.create_token(session, holder.account, "b", "planner", ADA, clock.instant, late)


def test_a_token_from_before_scopes_and_ends_goes_on(
    application: Flask, own_engine: Engine, cast: Cast, clock: Clock
) -> None:
    secret = make(own_engine, cast, clock)
    with writing(own_engine) as session:
        session.execute(update(Token).values(scopes=None, expires_at=None, last_used_from=None))
    clock.forward(timedelta(days=3000))
    assert ask(application, secret, "/notices").status_code == 200


def test_when_and_from_where_it_was_used_is_noted(
    application: Flask, own_engine: Engine, cast: Cast, clock: Clock
) -> None:
    secret = make(own_engine, cast, clock)
    used = []
    for minutes, place in ((0, 1), (5, 2), (6, 3), (60, 3)):
        clock.forward(timedelta(minutes=minutes))
        ask(application, secret, "/notices", f"192.0.2.{place}")
        with reading(own_engine) as session:
            (one,) = queries.tokens(session)
        used.append(one.last_used_from)
    assert used == ["192.0.2.1", "192.0.2.1", "192.0.2.3", "192.0.2.3"]
    with reading(own_engine) as session:
        told = session.scalars(select(AuditRecord.after).where(AuditRecord.action == "use token"))
        assert [json.loads(str(one))["address"] for one in told] == ["192.0.2.1", "192.0.2.3"]


def test_a_narrowed_token_makes_none_that_may_do_more(
    own_engine: Engine, cast: Cast, clock: Clock
) -> None:
    scopes = frozenset({"manage accounts", "see"})
    program = Actor("ada/gateway", "administrator", "api", scopes=scopes)
    for wanted in ((), ("logging",)):
        with pytest.raises(NotAllowed, match="more than itself"):
            make(own_engine, cast, clock, *wanted, by=program)
    assert make(own_engine, cast, clock, "reading", by=program)


def test_an_administrator_ticks_scopes_on_the_page(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "administrator")
    cast.join("operator")
    with reading(own_engine) as session:
        account = queries.account_named(session, "olga")
    visit.get(f"/accounts/{account.id}")
    refused = visit.post(
        f"/accounts/{account.id}/tokens", name="x", role="operator", scopes="maintenance"
    )
    assert refused.status_code == 400
    assert "does not include" in refused.text
    made = visit.post(f"/accounts/{account.id}/tokens", name="x", role="operator", scopes="logging")
    assert "not shown again" in made.text
    assert "correct entry, log entry, see" in made.text


def test_the_command_makes_lists_and_ends_tokens(command: Command, own_engine: Engine) -> None:
    command("user", "add", "gate", "--role", "planner", typed="four words and more\n")
    made = command("token", "add", "gate", "line 3", "--scope", "counters")
    assert (
        "goes beyond" in command("token", "add", "gate", "b", "--role", "quality", status=1).stderr
    )
    (one,) = json.loads(command("token", "list", "--json").stdout)["tokens"]
    assert (one["name"], one["state"]) == ("line 3", "good")
    assert one["scopes"] == ["read counter", "see", "send readings"]
    assert made.stdout.strip() not in command("token", "list").stdout
    command("token", "revoke", "gate", "line 3")
    again = command("token", "revoke", "gate", "line 3", status=1)
    assert "no token for 'line 3'" in again.stderr
    with reading(own_engine) as session:
        assert queries.tokens(session)[0].revoked_at is not None
