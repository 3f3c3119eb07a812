"""Signing in and out: who gets in, for how long, and who is held up."""

from datetime import timedelta

import pytest
from flask import Flask
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from tests.support.clock import Clock
from tests.support.site import JOINED_AT, Cast, Visit
from tracelog.audit import Actor, AuditRecord
from tracelog.db import reading, writing
from tracelog.people import actions, queries, secrets

ADA = Actor("ada", "administrator", "page")
NOON = JOINED_AT + timedelta(hours=4)


def attempt(visit: Visit, name: str, secret: str, address: str = "10.0.0.1") -> int:
    visit.get("/sign-in")
    proof = visit._proof
    answer = visit.client.post(
        "/sign-in",
        data={"csrf_token": proof, "name": name, "secret": secret},
        environ_base={"REMOTE_ADDR": address},
    )
    return answer.status_code


def test_who_signs_in_is_noted_and_led_on(visit: Visit, cast: Cast, own_engine: Engine) -> None:
    person = cast.join("planner")
    assert visit.get("/me").location == "/sign-in?next=/me"
    page = visit.get("/sign-in?next=/me")
    assert 'name="next" value="/me"' in page.text
    answer = visit.post("/sign-in", name=person.name.upper(), secret=person.secret, next="/me")
    assert (answer.status_code, answer.location) == (303, "/me")
    assert "Signed in as pedro, planner" in visit.get("/me").text
    with reading(own_engine) as session:
        account = queries.account_named(session, person.name)
        actions_on_record = session.execute(
            select(AuditRecord.action, AuditRecord.actor, AuditRecord.door).order_by(
                AuditRecord.sequence
            )
        ).all()
    assert account.last_signed_in_at is not None
    assert tuple(actions_on_record[-1]) == ("sign in", "pedro", "page")


@pytest.mark.parametrize(
    ("name", "secret"),
    [
        ("pedro", "wrong words here"),
        ("nobody", "wrong words here"),
        ("", ""),
        ("pedro", "x" * 5000),
    ],
)
def test_one_sentence_for_whatever_is_wrong(
    visit: Visit, cast: Cast, name: str, secret: str
) -> None:
    cast.join("planner")
    visit.get("/sign-in")
    answer = visit.post("/sign-in", name=name, secret=secret)
    assert answer.status_code == 422
    assert "Name and password or PIN do not belong together." in answer.text
    assert secret not in answer.text or not secret
    assert visit.get("/me").status_code == 302


def test_a_disabled_account_stays_out(visit: Visit, cast: Cast, own_engine: Engine) -> None:
    person = cast.join("planner")
    with writing(own_engine) as session:
        account = queries.account_named(session, person.name)
        actions.set_active(session, account.id, active=False, actor=ADA, now=JOINED_AT)
    assert attempt(visit, person.name, person.secret) == 422


def test_signing_in_throws_away_what_the_browser_held(visit: Visit, cast: Cast) -> None:
    person = cast.join("planner")
    visit.get("/sign-in")
    with visit.client.session_transaction() as kept:
        kept["planted"] = "by somebody else"
        before = kept["csrf_token"]
    visit.post("/sign-in", name=person.name, secret=person.secret)
    visit.get("/me")
    with visit.client.session_transaction() as kept:
        assert "planted" not in kept
        assert kept["csrf_token"] != before


def test_signing_out_ends_the_session(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    visit.get("/me")
    assert visit.post("/sign-out").location == "/sign-in"
    assert visit.get("/me").status_code == 302


def test_a_page_that_stood_open_for_days_leads_back_to_signing_in(visit: Visit, cast: Cast) -> None:
    person = cast.join("operator")
    answer = visit.client.post(
        "/sign-in",
        data={"csrf_token": "old", "name": person.name, "secret": person.secret, "next": "/me"},
    )
    assert (answer.status_code, answer.location) == (303, "/sign-in?next=/me")
    assert "open for too long" in visit.get("/sign-in").text


@pytest.mark.parametrize(
    ("steps", "is_in"),
    [([11.9], True), ([12.1], False), ([6, 6, 6, 5.5], True), ([6, 6, 6, 6.2], False)],
)
def test_a_session_ends_after_12_idle_hours_and_after_24_in_any_case(
    visit: Visit, cast: Cast, clock: Clock, steps: list[float], is_in: bool
) -> None:
    cast.sign_in(visit, "operator")
    for hours in steps[:-1]:
        clock.forward(timedelta(hours=hours))
        assert visit.get("/me").status_code == 200
    clock.forward(timedelta(hours=steps[-1]))
    assert (visit.get("/me").status_code == 200) == is_in


@pytest.mark.parametrize("what", ["secret", "role", "active"])
def test_open_sessions_end_when_the_account_changes(
    visit: Visit, cast: Cast, own_engine: Engine, what: str
) -> None:
    person = cast.sign_in(visit, "planner")
    with writing(own_engine) as session:
        change(session, person.name, what)
    assert visit.get("/me").status_code == 302


def change(session: Session, name: str, what: str) -> None:
    account = queries.account_named(session, name)
    if what == "secret":
        actions.change_secret(session, account.id, "other words it is", ADA, NOON)
    elif what == "role":
        actions.change_role(session, account.id, "quality", ADA, NOON)
    else:
        actions.set_active(session, account.id, active=False, actor=ADA, now=NOON)


def test_capitals_and_spaces_do_not_make_more_attempts(visit: Visit, cast: Cast) -> None:
    cast.join("operator")
    answers = [
        attempt(visit, name, "402918") for name in ("olga", "OLGA", " olga", "oLGa ", "Olga")
    ]
    assert answers == [422] * 5
    assert attempt(visit, "olgA", "402918") == 429


def test_signing_in_well_is_never_held_up(visit: Visit, cast: Cast) -> None:
    person = cast.join("operator")
    for _time in range(8):
        assert attempt(visit, person.name, person.secret) == 303
        visit.client.delete_cookie("tracelog")


def test_an_outdated_hash_is_renewed_at_sign_in(
    visit: Visit, cast: Cast, own_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    from argon2 import PasswordHasher

    person = cast.join("planner")
    newer = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
    monkeypatch.setattr(secrets, "_hasher", newer)
    assert attempt(visit, person.name, person.secret) == 303
    with reading(own_engine) as session:
        _account, kept = queries.secret_of(session, person.name)
    assert kept is not None
    assert not secrets.is_outdated(kept)
    assert secrets.verify_secret(person.secret, kept)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_cookie_is_for_the_server_only(application: Flask) -> None:
    for scheme, is_secure in (("http", False), ("https", True)):
        visit = Visit(application.test_client())
        base = f"{scheme}://localhost"
        page = visit.client.get("/sign-in", base_url=base)
        cookie = page.headers["Set-Cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Lax" in cookie
        assert ("Secure" in cookie) == is_secure


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_without_any_account_the_page_says_how_to_make_one(visit: Visit) -> None:
    assert "tracelog user add" in visit.get("/sign-in").text
