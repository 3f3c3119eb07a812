"""A password that somebody else chose opens the page to choose one's own, for a week."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from flask import Flask
from sqlalchemy import Engine, select

from tests.support.clock import Clock
from tests.support.command import Command
from tests.support.site import CAST, JOINED_AT, Cast, Visit
from tracelog.audit import AuditRecord
from tracelog.db import reading, writing
from tracelog.people import actions, queries
from tracelog.people.password_rules import FIRST_FOR

GIVEN = "ladder beside a kettle"
OWN = "heron under seven clouds"
on_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@pytest.fixture
def signed_in(application: Flask, cast: Cast, visit: Visit) -> Callable[[], Visit]:
    """Makes an account as administrators do, and signs in there with what was given."""

    def make() -> Visit:
        cast.sign_in(visit, "administrator")
        visit.get("/accounts")
        visit.post("/accounts", name="nils", display_name="Nils", role="planner", secret=GIVEN)
        return with_given(application)

    return make


def with_given(application: Flask, secret: str = GIVEN, status: int = 303) -> Visit:
    person = Visit(application.test_client())
    person.get("/sign-in")
    assert person.post("/sign-in", name="nils", secret=secret).status_code == status
    return person


def until(engine: Engine, name: str = "nils") -> object:
    with reading(engine) as session:
        return queries.account_named(session, name).secret_once_until


def test_nothing_is_reached_before_an_own_password_is_chosen(
    signed_in: Callable[[], Visit], application: Flask, own_engine: Engine, clock: Clock
) -> None:
    person = signed_in()
    assert until(own_engine) == clock.instant + FIRST_FOR
    for path in ("/", "/me", "/me/sessions", "/log", "/me/pin"):
        answer = person.get(path)
        assert (answer.status_code, answer.location) == (303, "/me/secret"), path
    page = person.get("/me/secret").text
    assert "opens this page only" in page
    proof = {"X-CSRFToken": person._proof}
    for refused in (
        person.client.get("/api/v1/cases"),
        person.client.post("/api/v1/defects", json={}, headers=proof),
        person.post("/me/sessions/end"),
        person.client.post("/log/queued", json={}, headers=proof),
    ):
        assert refused.status_code == 403
        assert "choose a password of your own" in refused.text
    # Neither is an account linked to somebody's own provider with it.
    assert person.get("/sign-in/provider?link=yes").status_code == 403
    answer = person.post("/me/secret", present=GIVEN, secret=GIVEN, again=GIVEN)
    assert (answer.status_code, "is the one that was given to you" in answer.text) == (400, True)
    assert "opens this page only" in answer.text
    assert person.get("/me").location == "/me/secret"
    answer = person.post("/me/secret", present=GIVEN, secret=OWN, again=OWN)
    assert (answer.status_code, answer.location) == (303, "/me")
    assert person.get("/me").status_code == 200
    assert person.get("/me/secret").location == "/me"
    assert until(own_engine) is None
    assert with_given(application, OWN).get("/me").status_code == 200
    with_given(application, status=422)


def test_what_was_given_runs_out(
    signed_in: Callable[[], Visit],
    application: Flask,
    visit: Visit,
    clock: Clock,
    own_engine: Engine,
) -> None:
    before = signed_in()
    clock.forward(FIRST_FOR + timedelta(seconds=1))
    late = Visit(application.test_client())
    late.get("/sign-in")
    answer = late.post("/sign-in", name="nils", secret=GIVEN)
    assert (answer.status_code, "has run out" in answer.text) == (422, True)
    # A wrong one is told nothing of it.
    assert "run out" not in late.post("/sign-in", name="nils", secret="wrong one here").text
    assert before.get("/me").status_code == 302
    with reading(own_engine) as session:
        place = f"/accounts/{queries.account_named(session, 'nils').id}"
    visit.get("/sign-in")
    ada = CAST["administrator"]
    visit.post("/sign-in", name=ada.name, secret=ada.secret)
    assert "Given password good until" in visit.get(place).text
    visit.post(f"{place}/secret", secret="a second kettle there")
    assert with_given(application, "a second kettle there").get("/me").location == "/me/secret"
    assert until(own_engine) == clock.instant + FIRST_FOR


@on_sqlite
def test_every_door_by_which_one_gives_another_a_password_says_so(
    visit: Visit, cast: Cast, own_engine: Engine, command: Command
) -> None:
    operator = cast.join("operator")
    ada = cast.sign_in(visit, "administrator")
    visit.get("/accounts")
    with reading(own_engine) as session:
        place = f"/accounts/{queries.account_named(session, operator.name).id}"
        own = f"/accounts/{queries.account_named(session, ada.name).id}"
    assert until(own_engine, operator.name) is None
    visit.post(f"{place}/role", role="planner", secret=GIVEN)
    assert until(own_engine, operator.name) is not None
    made = visit.post("/setup/people", **{"name-0": "rosa", "role-0": "operator"})
    assert (made.status_code, until(own_engine, "rosa") is not None) == (200, True)
    command("user", "add", "karl", "--role", "planner", typed=f"{GIVEN}\n")
    command("user", "add", "lena", "--role", "planner", "--own", typed=f"{GIVEN}\n")
    assert (until(own_engine, "karl") is None, until(own_engine, "lena") is None) == (False, True)
    command("user", "passwd", "karl", "--own", typed="other words it is\n")
    command("user", "passwd", "lena", typed="other words it is\n")
    assert (until(own_engine, "karl") is None, until(own_engine, "lena") is None) == (True, False)
    visit.post(f"{own}/secret", secret=OWN)
    assert until(own_engine, ada.name) is None
    with reading(own_engine) as session:
        asked = select(AuditRecord.after).where(AuditRecord.action == "change secret")
        told = list(session.scalars(asked))
    assert [after and "good_until" in after for after in told] == [None, True, None]


@on_sqlite
def test_the_first_account_of_an_installation_keeps_its_password(
    command: Command, own_engine: Engine
) -> None:
    command("user", "add", "anna", "--role", "administrator", typed=f"{GIVEN}\n")
    assert until(own_engine, "anna") is None


def test_accounts_from_before_are_left_as_they_are(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    person = cast.join("planner")
    actor = CAST["administrator"].actor()
    with writing(own_engine) as session:
        actions.create_account(session, "gate", "", "planner", GIVEN, actor, JOINED_AT)
    assert until(own_engine, person.name) is until(own_engine, "gate") is None
    cast.sign_in(visit, "planner")
    assert visit.get("/me").status_code == 200
