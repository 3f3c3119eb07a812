"""Sessions live on the server: what ends one ends every copy of its cookie."""

from datetime import datetime, timedelta

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from tests.support.clock import Clock
from tests.support.site import CAST, JOINED_AT, Cast, Visit
from tracelog.audit import AuditRecord
from tracelog.db import reading, writing
from tracelog.people import queries, session_actions, session_queries, tablet_actions
from tracelog.people.models import Account, OpenSession
from tracelog.people.secrets import token_hash
from tracelog.people.session_rules import (
    CLOCK_SLACK,
    IDLE,
    KEPT_FOR,
    LONGEST,
    PROVEN_FOR,
    is_over,
    kind_of_device,
)

ADA = CAST["administrator"].actor()
on_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


def cookie_of(visit: Visit) -> str:
    """The session cookie as somebody would copy it."""
    kept = visit.client.get_cookie("tracelog")
    assert kept is not None
    return kept.value


def with_cookie(application: Flask, cookie: str) -> Visit:
    """Another browser that holds a copy of that cookie."""
    thief = Visit(application.test_client())
    thief.client.set_cookie("tracelog", cookie)
    return thief


def prove_again(visit: Visit, secret: str, status: int = 303) -> str:
    """Prove on the page of sessions that it is they; gives what is answered."""
    visit.get("/me/sessions")
    answer = visit.post("/me/sessions/prove", present=secret)
    assert answer.status_code == status, answer.text
    return answer.text


def last_actions(engine: Engine, count: int) -> list[str]:
    with reading(engine) as session:
        found = session.scalars(
            select(AuditRecord.action).order_by(AuditRecord.sequence.desc()).limit(count)
        )
        return list(found)[::-1]


def test_signing_out_makes_a_copied_cookie_useless(
    application: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    thief = with_cookie(application, cookie_of(visit))
    assert thief.get("/me").status_code == 200
    visit.get("/me")
    visit.post("/sign-out")
    assert thief.get("/me").location == "/sign-in?next=/me"
    assert last_actions(own_engine, 2) == ["sign in", "sign out"]
    with reading(own_engine) as session:
        (kept,) = session.scalars(select(OpenSession)).all()
        assert kept.ended_at is not None


@on_sqlite
def test_what_was_known_before_signing_in_opens_nothing_after_it(
    application: Flask, visit: Visit, cast: Cast
) -> None:
    person = cast.join("planner")
    page = visit.get("/sign-in")
    assert page.status_code == 200
    before, proof = cookie_of(visit), visit._proof
    visit.post("/sign-in", name=person.name, secret=person.secret)
    assert cookie_of(visit) != before
    assert with_cookie(application, before).get("/me").status_code == 302
    # The proof of origin of a form from before is refused with the new cookie, too.
    answer = visit.client.post("/me/sessions/end", data={"csrf_token": proof})
    assert answer.status_code == 400
    assert visit.get("/me").status_code == 200


@on_sqlite
def test_signing_in_again_ends_the_session_before(
    application: Flask, visit: Visit, cast: Cast
) -> None:
    person = cast.sign_in(visit, "planner")
    visit.get("/me")
    before = cookie_of(visit)
    visit.post("/sign-in", name=person.name, secret=person.secret)
    assert visit.get("/me").status_code == 200
    assert with_cookie(application, before).get("/me").status_code == 302


@on_sqlite
def test_ones_own_sessions_are_listed_and_ended_one_by_one_or_all(
    application: Flask, visit: Visit, cast: Cast, clock: Clock, own_engine: Engine
) -> None:
    cast.sign_in(visit, "operator")
    clock.forward(timedelta(minutes=30))
    phone = Visit(application.test_client())
    phone.client.environ_base["HTTP_USER_AGENT"] = "Somebody/1.0 (Android; Mobile)"
    phone.client.environ_base["REMOTE_ADDR"] = "192.0.2.7"
    cast.sign_in(phone, "operator")
    prove_again(visit, CAST["operator"].secret)
    page = visit.get("/me/sessions").text
    assert "192.0.2.7" in page
    assert page.count(">End it<") == 2
    assert "(this one)" in page
    with reading(own_engine) as session:
        account = queries.account_named(session, "olga")
        listed = session_queries.sessions_of(session, account.id, clock.instant)
    assert [one.device for one in listed] == ["phone", "computer"]
    visit.post(f"/me/sessions/{listed[0].id}/end")
    assert phone.get("/me").status_code == 302
    assert visit.get("/me/sessions").text.count(">End it<") == 1
    third = Visit(application.test_client())
    cast.sign_in(third, "operator")
    assert visit.post("/me/sessions/end").location == "/sign-in"
    assert visit.get("/me").status_code == third.get("/me").status_code == 302
    assert last_actions(own_engine, 1) == ["end all sessions"]


def test_ending_sessions_elsewhere_asks_for_a_proof_ten_minutes_old_at_most(
    application: Flask, visit: Visit, cast: Cast, clock: Clock, own_engine: Engine
) -> None:
    person = cast.sign_in(visit, "planner")
    other = Visit(application.test_client())
    cast.sign_in(other, "planner")
    clock.forward(PROVEN_FOR)
    assert visit.get("/me/sessions").text.count(">End it<") == 2
    clock.forward(timedelta(seconds=1))
    page = visit.get("/me/sessions").text
    # Everything is seen; only this session can be ended, which is signing out.
    assert page.count(">End it<") == 1
    assert page.count("127.0.0.1") == 2
    assert "/me/sessions/end" not in page
    with reading(own_engine) as session:
        account = queries.account_named(session, person.name)
        asked = select(OpenSession.id).where(OpenSession.account_id == account.id)
        mine, theirs = session.scalars(asked.order_by(OpenSession.began_at, OpenSession.id))
    here = next(one for one in (mine, theirs) if f"/me/sessions/{one}/end" in page)
    elsewhere = theirs if here == mine else mine
    for path in (f"/me/sessions/{elsewhere}/end", "/me/sessions/end"):
        refused = visit.post(path)
        assert (refused.status_code, "prove first that it is you" in refused.text) == (403, True)
    assert other.get("/me").status_code == 200
    assert "is not your present password" in prove_again(visit, "some other words", status=400)
    assert visit.get("/me/sessions").text.count(">End it<") == 1
    prove_again(visit, person.secret)
    assert visit.get("/me/sessions").text.count(">End it<") == 2
    assert visit.post("/me/sessions/end").location == "/sign-in"
    assert other.get("/me").status_code == 302


@on_sqlite
def test_at_a_shared_tablet_the_pin_proves_it(
    application: Flask, visit: Visit, cast: Cast, clock: Clock, own_engine: Engine
) -> None:
    cast.sign_in(visit, "supervisor")
    visit.get("/tablets")
    visit.post("/tablets", name="line 2", line="", idle_minutes="60")
    person = cast.join("operator")
    with writing(own_engine) as session:
        account = queries.account_named(session, person.name)
        tablet_actions.set_own_pin(session, account.id, "4029", person.actor(), JOINED_AT)
    other = Visit(application.test_client())
    cast.sign_in(other, "operator")
    visit.get(f"/who/{account.id}")
    assert visit.post(f"/who/{account.id}", pin="4029").status_code == 303
    clock.forward(PROVEN_FOR + timedelta(seconds=1))
    assert "Present PIN" in visit.get("/me/sessions").text
    assert visit.post("/me/sessions/end").status_code == 403
    prove_again(visit, person.secret, status=400)
    prove_again(visit, "4029")
    assert visit.post("/me/sessions/end").status_code == 303
    assert other.get("/me").status_code == 302


@on_sqlite
def test_nobody_ends_somebody_elses_session_but_an_administrator(
    application: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    visit.get("/me")
    with reading(own_engine) as session:
        account = queries.account_named(session, "pedro")
        (opened,) = session.scalars(select(OpenSession.id)).all()
    other = Visit(application.test_client())
    cast.sign_in(other, "quality")
    other.get("/me")
    assert other.post(f"/me/sessions/{opened}/end").status_code == 404
    assert visit.get("/me").status_code == 200
    ada = Visit(application.test_client())
    cast.sign_in(ada, "administrator")
    assert "127.0.0.1" in ada.get(f"/accounts/{account.id}").text
    ada.post(f"/accounts/{account.id}/sessions/{opened}/end")
    assert visit.get("/me").status_code == 302
    cast.sign_in(visit, "planner")
    ada.post(f"/accounts/{account.id}/sessions/end")
    assert visit.get("/me").status_code == 302
    assert "Nowhere just now." in ada.get(f"/accounts/{account.id}").text


@on_sqlite
def test_a_clock_that_is_set_back_makes_no_session_longer(
    visit: Visit, cast: Cast, clock: Clock
) -> None:
    cast.sign_in(visit, "planner")
    clock.forward(timedelta(hours=10))
    assert visit.get("/me").status_code == 200
    clock.forward(-timedelta(seconds=90))
    assert visit.get("/me").status_code == 200
    clock.forward(-timedelta(hours=9))
    assert visit.get("/me").status_code == 302


INSTANTS = st.integers(-200_000, 200_000).map(
    lambda seconds: JOINED_AT + timedelta(seconds=seconds)
)


@given(INSTANTS, INSTANTS, INSTANTS)
def test_no_order_of_instants_lets_a_session_outlive_its_time(
    began: datetime, seen: datetime, moment: datetime
) -> None:
    if not is_over(began, seen, moment):
        assert -CLOCK_SLACK <= moment - seen <= IDLE
        assert moment - began <= LONGEST
        assert moment - began >= -2 * CLOCK_SLACK


@on_sqlite
def test_using_it_is_noted_every_five_minutes_and_not_by_pages_themselves(
    visit: Visit, cast: Cast, clock: Clock, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    began = clock.instant
    seen = []
    for minutes, headers in ((4, {}), (4, {"Tracelog-By-Itself": "1"}), (1, {})):
        clock.forward(timedelta(minutes=minutes))
        visit.client.get("/me", headers=headers)
        with reading(own_engine) as session:
            seen.append(session.execute(select(OpenSession.seen_at)).scalar_one())
    assert seen == [began, began, began + timedelta(minutes=9)]


def test_what_is_kept_of_sessions_goes_after_a_month_whoevers_it_was(
    application: Flask, visit: Visit, cast: Cast, clock: Clock, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    clock.forward(KEPT_FOR - timedelta(days=1))
    other = Visit(application.test_client())
    cast.sign_in(other, "quality")
    with reading(own_engine) as session:
        assert len(session.scalars(select(OpenSession.id)).all()) == 2
    clock.forward(timedelta(days=1, seconds=1))
    third = Visit(application.test_client())
    cast.sign_in(third, "operator")
    with reading(own_engine) as session:
        rows = select(Account.name).join(OpenSession, OpenSession.account_id == Account.id)
        assert sorted(session.scalars(rows)) == ["olga", "quentin"]


@on_sqlite
def test_the_table_holds_no_key_and_forgets_after_a_month(
    visit: Visit, cast: Cast, clock: Clock, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    with visit.client.session_transaction() as kept:
        key = kept["key"]
    with reading(own_engine) as session:
        row = session.scalars(select(OpenSession)).one()
        assert row.key_hash == token_hash(key)
        assert key not in repr(vars(row))
    clock.forward(timedelta(days=31))
    cast.sign_in(visit, "planner")
    with reading(own_engine) as session:
        assert session.scalars(select(OpenSession.began_at)).all() == [clock.instant]


@on_sqlite
def test_a_database_put_back_lets_nobody_in_who_was_signed_out(
    application: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    cookie = cookie_of(visit)
    with writing(own_engine) as session:
        session_actions.forget_sessions(session)
    assert with_cookie(application, cookie).get("/me").status_code == 302


@pytest.mark.parametrize(
    ("browser", "device"),
    [
        ("X/5.0 (iPad; CPU OS 18)", "tablet"),
        ("X/5.0 (iPhone; CPU iPhone OS 18) Mobile", "phone"),
        ("X/5.0 (Linux; Android 14)", "tablet"),
        ("X/5.0 (X11; Linux x86_64)", "computer"),
    ],
)
def test_the_kind_of_device_is_told_by_its_browser(browser: str, device: str) -> None:
    assert kind_of_device(browser) == device
