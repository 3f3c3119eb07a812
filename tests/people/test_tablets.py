"""A shared tablet: who makes one, who signs in there, for how long, and what a PIN opens."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine, select

from tests.support.clock import Clock
from tests.support.site import JOINED_AT, Cast, Person, Visit
from tracelog.audit import AuditRecord
from tracelog.db import reading, writing
from tracelog.people import queries, tablet_actions, tablet_queries
from tracelog.people.models import Account, Tablet
from tracelog.people.tablets import TABLET_COOKIE

PIN = "4029"
Share = Callable[..., Visit]


@pytest.fixture
def share(application: Flask, cast: Cast) -> Share:
    """Makes a browser a shared tablet, as a supervisor does it on the tablet itself."""

    def make(name: str = "line 2, front end", idle_minutes: str = "3") -> Visit:
        visit = Visit(application.test_client())
        cast.sign_in(visit, "supervisor")
        visit.get("/tablets")
        answer = visit.post("/tablets", name=name, line="", idle_minutes=idle_minutes)
        assert (answer.status_code, answer.location) == (303, "/who")
        return visit

    return make


@pytest.fixture
def with_pin(cast: Cast, own_engine: Engine) -> Callable[[str, str], Person]:
    """Gives the person of a role a PIN of their own."""

    def give(role: str, pin: str = PIN) -> Person:
        person = cast.join(role)
        with writing(own_engine) as session:
            account = queries.account_named(session, person.name)
            tablet_actions.set_own_pin(session, account.id, pin, person.actor(), JOINED_AT)
        return person

    return give


def address(engine: Engine, person: Person) -> str:
    with reading(engine) as session:
        return f"/who/{queries.account_named(session, person.name).id}"


def enter(visit: Visit, where: str, pin: str, **more: str) -> tuple[int, str]:
    visit.get(where)
    answer = visit.post(where, pin=pin, **more)
    return answer.status_code, answer.location or answer.text


def early(visit: Visit, where: str, typed: str, **more: str) -> Any:
    """What the pad is told about the digits typed so far."""
    return visit.post(where, pin=typed, early="yes", **more).json


def signed_in(visit: Visit) -> bool:
    return visit.get("/me").status_code == 200


def actions_on_record(engine: Engine) -> list[tuple[str, str, str]]:
    with reading(engine) as session:
        rows = session.scalars(select(AuditRecord).order_by(AuditRecord.sequence))
        return [(row.action, row.actor, row.subject) for row in rows]


def test_sharing_signs_the_supervisor_out_and_keeps_only_a_hash(
    share: Share, own_engine: Engine
) -> None:
    tablet = share()
    cookie = tablet.client.get_cookie(TABLET_COOKIE)
    assert cookie is not None
    assert cookie.http_only
    assert not signed_in(tablet)
    with reading(own_engine) as session:
        (kept,) = session.scalars(select(Tablet))
        assert cookie.value not in (kept.token_hash, kept.name)
        assert len(kept.token_hash) == 64
    assert ("share tablet", "sara", "line 2, front end") in actions_on_record(own_engine)
    assert tablet.get("/sign-in?next=/trends").location == "/who?next=/trends"


@pytest.mark.parametrize(
    ("name", "minutes", "sentence"),
    [
        ("", "3", "say what is written on the tablet"),
        ("x", "0", "minutes from 1 to 60"),
        ("x", "61", "minutes from 1 to 60"),
        ("x", "three", "minutes from 1 to 60"),
        ("LINE 2, front end", "3", "is in use"),
    ],
)
def test_what_is_wrong_with_a_new_tablet_is_said(
    share: Share, visit: Visit, cast: Cast, name: str, minutes: str, sentence: str
) -> None:
    share()
    cast.sign_in(visit, "supervisor")
    visit.get("/tablets")
    answer = visit.post("/tablets", name=name, line="", idle_minutes=minutes)
    assert answer.status_code in (400, 409)
    assert sentence in answer.text


@pytest.mark.parametrize("role", ["operator", "planner", "quality"])
def test_others_share_no_tablet_and_reset_no_pin(visit: Visit, cast: Cast, role: str) -> None:
    cast.sign_in(visit, role)
    assert visit.get("/tablets").status_code == 403
    assert visit.get("/pins").status_code == 403


def test_a_name_and_a_pin_sign_in_and_lead_to_where_one_was(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine
) -> None:
    person, tablet = with_pin("operator"), share()
    assert "Olga" in tablet.get("/who").text
    assert enter(tablet, address(own_engine, person), PIN, next="/me") == (303, "/me")
    assert "Signed in as olga, operator" in tablet.get("/me").text
    assert actions_on_record(own_engine)[-1] == ("sign in at tablet", "olga", "olga")


def test_whoever_was_here_lately_is_offered_first(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine, cast: Cast
) -> None:
    person, tablet = with_pin("quality"), share()
    cast.join("operator")
    assert "Lately here" not in tablet.get("/who").text
    enter(tablet, address(own_engine, person), PIN)
    tablet.post("/lock")
    page = tablet.get("/who").text
    assert page.index("Quentin") < page.index("Everybody else") < page.index("Olga")


def test_a_pin_opens_nothing_in_another_browser(
    share: Share, visit: Visit, with_pin: Callable[[str], Person], own_engine: Engine
) -> None:
    share()
    person = with_pin("operator")
    where = address(own_engine, person)
    assert visit.get(where).location == "/sign-in"
    visit.get("/sign-in")
    assert visit.post(where, pin=PIN).status_code == 404
    assert visit.post("/sign-in", name=person.name, secret=PIN).status_code == 422
    visit.client.set_cookie(TABLET_COOKIE, "tlt_made_up")
    assert visit.get("/who").location.startswith("/sign-in")


def test_each_digit_asks_and_the_last_one_signs_in(
    share: Share, with_pin: Callable[[str, str], Person], own_engine: Engine
) -> None:
    person, tablet = with_pin("operator", "402917"[::-1]), share()
    where = address(own_engine, person)
    tablet.get(where)
    said = [early(tablet, where, "719204"[:length], next="/me") for length in (4, 5, 6)]
    assert said[:2] == [{"next": None, "wait_seconds": 0}] * 2
    assert said[2] == {"next": "/me", "wait_seconds": 0}
    assert signed_in(tablet)


def test_neither_answers_nor_waits_tell_how_long_a_pin_is(
    share: Share, with_pin: Callable[[str, str], Person], own_engine: Engine
) -> None:
    """Wrong digits typed one by one are answered alike for a PIN of four and one of eight."""
    tablet = share()
    said = []
    for role, pin in (("operator", "4029"), ("planner", "40291753")):
        where = address(own_engine, with_pin(role, pin))
        tablet.get(where)
        said.append(
            [
                early(tablet, where, "93847261"[:length])
                for _attempt in range(5)
                for length in (4, 5, 6, 7, 8)
            ]
        )
    assert said[0] == said[1]
    assert said[0][-1] == {"next": None, "wait_seconds": 30}


def test_guessing_is_slowed_for_that_person_at_that_tablet_only(
    share: Share,
    visit: Visit,
    with_pin: Callable[[str], Person],
    own_engine: Engine,
    clock: Clock,
    cast: Cast,
) -> None:
    person, other = with_pin("operator"), with_pin("planner")
    tablet, second = share(), share("line 3")
    where = address(own_engine, person)
    assert [enter(tablet, where, "9384")[0] for _attempt in range(3)] == [422] * 3
    status, page = enter(tablet, where, PIN)
    assert status == 422
    assert "Too many wrong PINs for Olga here. Wait 30 seconds" in page
    # Others here, this person elsewhere, and the password everywhere are not held up.
    assert enter(second, where, PIN)[0] == 303
    assert enter(tablet, address(own_engine, other), PIN)[0] == 303
    tablet.post("/lock")
    cast.sign_in(visit, "operator")
    clock.forward(timedelta(seconds=31))
    assert enter(tablet, where, PIN)[0] == 303


def test_each_wrong_pin_after_the_third_doubles_the_wait_up_to_a_quarter_of_an_hour(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine, clock: Clock
) -> None:
    tablet, where = share(), address(own_engine, with_pin("operator"))
    waits = []
    for _attempt in range(10):
        tablet.get(where)
        told = early(tablet, where, "9384")
        waits.append(told["wait_seconds"])
        clock.forward(timedelta(seconds=told["wait_seconds"]))
    assert waits == [0, 0, 30, 60, 120, 240, 480, 900, 900, 900]
    assert enter(tablet, where, PIN)[0] == 303


def test_guesses_sent_all_at_once_count_as_many(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine
) -> None:
    """One attempt looks at each length once: of a PIN of four digits three guesses are taken."""
    tablet, where = share(), address(own_engine, with_pin("operator"))
    tablet.get(where)
    guesses = ["9384", "9385", "9386", PIN]
    said = [early(tablet, where, guess)["next"] for guess in guesses]
    assert said == [None] * 4


EASY = (
    *("402", "402917538", "4O29", "", "1111", "1212", "1234", "9876", "8901", "402402", "2580"),
    *("1984", "20310704", "04072031", "07042031"),
)


@pytest.mark.parametrize("pin", EASY)
def test_a_pin_that_others_would_try_is_refused(
    visit: Visit, cast: Cast, own_engine: Engine, pin: str
) -> None:
    person = cast.sign_in(visit, "planner")
    visit.get("/me")
    answer = visit.post("/me/pin", present=person.secret, pin=pin, again=pin)
    assert answer.status_code == 400
    assert "use " in answer.text or "mix them" in answer.text or "such as 4029" in answer.text
    with reading(own_engine) as session:
        assert session.scalar(select(Account.pin_hash)) is None


def test_the_pin_is_proved_by_the_password_and_is_not_the_sign_in(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    person = cast.sign_in(visit, "operator")
    for present, pin, again, sentence in (
        ("wrong", PIN, PIN, "is not your present password"),
        (person.secret, PIN, "4028", "is not the same as the PIN above"),
        (person.secret, person.secret, person.secret, "also what you sign in with elsewhere"),
    ):
        visit.get("/me")
        answer = visit.post("/me/pin", present=present, pin=pin, again=again)
        assert answer.status_code == 400
        assert sentence in answer.text
    visit.get("/me")
    assert visit.post("/me/pin", present=person.secret, pin=PIN, again=PIN).status_code == 303
    assert "You have a PIN." in visit.get("/me").text
    with reading(own_engine) as session:
        kept = session.scalar(select(Account.pin_hash))
    assert kept is not None
    assert kept.startswith("$argon2id$")
    assert actions_on_record(own_engine)[-1][0] == "set pin"


@pytest.mark.parametrize(
    ("role", "path", "status"),
    [
        ("operator", "/log", 200),
        ("administrator", "/accounts", 403),
        ("administrator", "/tablets", 403),
        ("supervisor", "/pins", 403),
    ],
)
@pytest.mark.small_plant
def test_a_pin_opens_what_the_floor_needs_and_no_more(
    share: Share,
    with_pin: Callable[[str], Person],
    own_engine: Engine,
    role: str,
    path: str,
    status: int,
) -> None:
    person, tablet = with_pin(role), share()
    assert enter(tablet, address(own_engine, person), PIN)[0] == 303
    answer = tablet.get(path)
    assert answer.status_code == status
    if status == 403:
        assert "A PIN does not open this; sign in with your password." in answer.text
        assert 'href="/sign-in?with=password' in answer.text
        tablet.get("/sign-in?with=password")
        tablet.post("/sign-in", name=person.name, secret=person.secret, next=path)
        assert tablet.get(path).status_code == 200


def test_within_a_pin_session_the_present_pin_proves_and_wrong_ones_are_slowed(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine
) -> None:
    person, tablet = with_pin("operator"), share()
    enter(tablet, address(own_engine, person), PIN)
    for _attempt in range(3):
        tablet.get("/me")
        assert tablet.post("/me/pin", present="9384", pin="7316", again="7316").status_code == 400
    tablet.get("/me")
    answer = tablet.post("/me/pin", present=PIN, pin="7316", again="7316")
    assert "Too many wrong PINs" in answer.text
    assert tablet.post("/me/secret", present=person.secret).status_code == 403


def test_a_lost_pin_is_replaced_by_one_that_only_lets_choose_another(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine, visit: Visit, cast: Cast
) -> None:
    person, tablet = with_pin("operator"), share()
    where = address(own_engine, person)
    enter(tablet, where, PIN)
    cast.sign_in(visit, "supervisor")
    visit.get("/pins")
    page = visit.post(where.replace("/who/", "/pins/")).text
    given = page.split('id="new-pin">')[1][:6]
    assert given.isdecimal()
    assert not signed_in(tablet), "the old PIN's session ends"
    assert actions_on_record(own_engine)[-1] == ("reset pin", "sara", "olga")
    assert enter(tablet, where, PIN)[0] == 422
    assert enter(tablet, where, given, next="/me") == (303, "/me/pin")
    assert tablet.get("/me").location == "/me/pin"
    assert tablet.get("/api/v1/machines").status_code == 303
    tablet.get("/me/pin")
    assert "choose your own" in tablet.post("/me/pin", pin=given, again=given).text
    assert tablet.post("/me/pin", pin="7316", again="7316").status_code == 303
    assert signed_in(tablet)
    tablet.post("/lock")
    assert enter(tablet, where, "7316")[0] == 303


def test_a_pin_that_was_given_out_runs_out_after_a_day(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine, clock: Clock
) -> None:
    person, tablet = with_pin("operator"), share()
    with writing(own_engine) as session:
        account = queries.account_named(session, person.name)
        given = tablet_actions.reset_pin(session, account.id, person.actor(), clock.instant)
    clock.forward(timedelta(hours=24, seconds=1))
    where = address(own_engine, person)
    assert "no PIN that counts now" in tablet.get(where).text
    tablet.get("/sign-in?with=password")
    assert tablet.post(where, pin=given).status_code == 422
    assert not signed_in(tablet)


def test_an_administrators_pin_is_reset_by_an_administrator_only(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    ada = cast.join("administrator")
    cast.sign_in(visit, "supervisor")
    visit.get("/pins")
    answer = visit.post(address(own_engine, ada).replace("/who/", "/pins/"))
    assert answer.status_code == 403
    with reading(own_engine) as session:
        assert tablet_queries.pin_states(session)[0].has_pin is False


@pytest.mark.parametrize(("minutes", "idle", "is_in"), [("3", 2.9, True), ("3", 3.1, False)])
@pytest.mark.parametrize("how", ["pin", "password"])
def test_the_server_ends_an_idle_session_at_a_tablet(
    share: Share,
    with_pin: Callable[[str], Person],
    own_engine: Engine,
    clock: Clock,
    minutes: str,
    idle: float,
    is_in: bool,
    how: str,
) -> None:
    person, tablet = with_pin("operator"), share(idle_minutes=minutes)
    if how == "pin":
        enter(tablet, address(own_engine, person), PIN)
    else:
        tablet.get("/sign-in?with=password")
        tablet.post("/sign-in", name=person.name, secret=person.secret)
    for _touch in range(3):
        clock.forward(timedelta(minutes=2))
        assert tablet.get("/still-here").status_code == 204
    clock.forward(timedelta(minutes=idle))
    assert signed_in(tablet) == is_in


def test_revoking_a_tablet_signs_out_whoever_is_there(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine, visit: Visit, cast: Cast
) -> None:
    person, tablet = with_pin("operator"), share()
    where = address(own_engine, person)
    enter(tablet, where, PIN)
    assert signed_in(tablet)
    with reading(own_engine) as session:
        (kept,) = tablet_queries.tablets(session)
    cast.sign_in(visit, "supervisor")
    visit.get("/tablets")
    assert visit.post(f"/tablets/{kept.id}/revoke").status_code == 303
    assert not signed_in(tablet)
    assert tablet.get(where).location == "/sign-in"
    assert visit.post(f"/tablets/{kept.id}/revoke").status_code == 404
    assert actions_on_record(own_engine)[-1] == ("revoke tablet", "sara", "line 2, front end")


def test_the_next_person_goes_on_where_the_last_one_was_if_they_may(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine
) -> None:
    supervisor, operator, tablet = with_pin("supervisor"), with_pin("operator"), share()
    enter(tablet, address(own_engine, supervisor), PIN)
    tablet.get("/me")
    answer = tablet.post("/lock", next="/service/record")
    assert answer.location == "/sign-in?next=/service/record"
    where = address(own_engine, operator)
    assert enter(tablet, where, PIN, next="/service/record") == (303, "/log")
    for elsewhere in ("//evil.example/x", "https://evil.example", "/no-such-page"):
        tablet.post("/lock")
        assert enter(tablet, where, PIN, next=elsewhere) == (303, "/log")


def test_every_sign_in_makes_a_new_session(
    share: Share, with_pin: Callable[[str], Person], own_engine: Engine
) -> None:
    person, tablet = with_pin("operator"), share()
    where = address(own_engine, person)
    tablet.get(where)
    with tablet.client.session_transaction() as kept:
        kept["planted"] = "by somebody else"
        before = kept["csrf_token"]
    tablet.post(where, pin=PIN)
    tablet.get("/me")
    with tablet.client.session_transaction() as kept:
        assert "planted" not in kept
        assert kept["csrf_token"] != before
