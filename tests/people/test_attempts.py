"""Attempts that fail are counted for all workers together, and hold up nobody but who fails."""

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Barrier

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, func, select, update
from werkzeug.test import TestResponse

from tests.support.clock import Clock
from tests.support.site import Cast, Visit, application_on
from tracelog.db import reading, writing
from tracelog.people.attempt_actions import count_attempt
from tracelog.people.attempt_rules import (
    DEVICE_KNOWN_FOR,
    LIMITS,
    LONGEST_WAIT,
    level_at,
    wait_after,
)
from tracelog.people.attempts import DEVICE_COOKIE
from tracelog.people.models import Account, KnownDevice, SignInCount

WRONG = "402918"
on_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


def attempt(visit: Visit, name: str, secret: str, address: str = "192.0.2.1") -> TestResponse:
    visit.client.delete_cookie("tracelog")
    visit.get("/sign-in")
    return visit.client.post(
        "/sign-in",
        data={"csrf_token": visit._proof, "name": name, "secret": secret},
        environ_base={"REMOTE_ADDR": address},
    )


def fail(visit: Visit, name: str, times: int, address: str = "192.0.2.1") -> list[int]:
    return [attempt(visit, name, WRONG, address).status_code for _time in range(times)]


def test_workers_and_restarts_count_together(
    own_engine: Engine, application: Flask, cast: Cast, tmp_path: Path
) -> None:
    """Each application is one worker, or the one that was started after it."""
    person = cast.join("operator")
    workers = [Visit(application.test_client())]
    workers += [Visit(application_on(own_engine, tmp_path).test_client()) for _more in range(2)]
    answers = [fail(workers[turn % 3], person.name, 1)[0] for turn in range(6)]
    assert answers == [422] * 5 + [429]
    held_up = attempt(workers[2], person.name, person.secret)
    assert held_up.status_code == 429
    assert held_up.headers["Retry-After"] == "30"
    assert "Try again in 30 seconds." in held_up.text


def test_of_many_at_once_no_more_are_looked_at_than_one_after_the_other(
    own_engine: Engine, clock: Clock
) -> None:
    together = Barrier(8)

    def attempt_at_once(_number: int) -> timedelta:
        together.wait(20)
        with writing(own_engine) as session:
            return count_attempt(session, {"name from address": "x y", "name": "y"}, clock.instant)

    with ThreadPoolExecutor(8) as pool:
        waits = list(pool.map(attempt_at_once, range(8)))
    assert sorted(waits) == [timedelta(0)] * 5 + [timedelta(seconds=30)] * 3


@on_sqlite
def test_nobody_is_kept_out_of_a_known_browser_or_address_by_others_who_fail(
    application: Flask, cast: Cast, clock: Clock
) -> None:
    person = cast.join("operator")
    own, attacker = Visit(application.test_client()), Visit(application.test_client())
    assert attempt(own, person.name, person.secret, "198.51.100.7").status_code == 303
    # From everywhere, for hours: the name as such is held up.
    for place in range(20):
        fail(attacker, person.name, 2, f"192.0.2.{place}")
    elsewhere = Visit(application.test_client())
    assert attempt(elsewhere, person.name, person.secret, "203.0.113.9").status_code == 429
    # Their own browser, wherever it is, and their own address, with whatever browser.
    assert attempt(own, person.name, person.secret, "203.0.113.9").status_code == 303
    assert attempt(elsewhere, person.name, person.secret, "198.51.100.7").status_code == 303
    # Even from that address an attacker holds up strangers' browsers alone.
    other = Visit(application.test_client())
    fail(other, person.name, 7, "198.51.100.7")
    assert attempt(other, person.name, person.secret, "198.51.100.7").status_code == 429
    assert attempt(own, person.name, person.secret, "198.51.100.7").status_code == 303
    # A quarter of an hour later at most anybody may try again.
    clock.forward(LONGEST_WAIT)
    assert attempt(elsewhere, person.name, person.secret, "203.0.113.9").status_code == 303


@on_sqlite
def test_a_stolen_mark_of_a_browser_is_counted_too_and_opens_nothing(
    application: Flask, cast: Cast, own_engine: Engine
) -> None:
    person, other = cast.join("operator"), cast.join("planner")
    own = Visit(application.test_client())
    attempt(own, person.name, person.secret)
    kept = own.client.get_cookie(DEVICE_COOKIE)
    assert kept is not None
    thief = Visit(application.test_client())
    thief.client.set_cookie(DEVICE_COOKIE, kept.value)
    assert thief.get("/me").status_code == 302
    assert fail(thief, person.name, 6, "203.0.113.1") == [422] * 5 + [429]
    # It is known for its own person only, and the table has no more than its digest.
    assert fail(thief, other.name, 6, "203.0.113.1") == [422] * 5 + [429]
    with reading(own_engine) as session:
        assert kept.value not in repr(session.execute(select(KnownDevice.device_hash)).all())


@on_sqlite
def test_many_names_from_one_address_are_held_up(own_engine: Engine, clock: Clock) -> None:
    with writing(own_engine) as session:
        waits = [
            count_attempt(session, {"address": "192.0.2.1", "name": f"n{turn}"}, clock.instant)
            for turn in range(61)
        ]
        other = count_attempt(session, {"address": "192.0.2.2", "name": "n1"}, clock.instant)
    assert [bool(wait) for wait in waits] == [False] * 60 + [True]
    assert not other


@on_sqlite
def test_counts_are_forgiven_forgotten_and_no_clock_makes_a_wait_longer(
    own_engine: Engine, clock: Clock
) -> None:
    what: Mapping[str, str] = {"name": "olga"}
    with writing(own_engine) as session:
        count_attempt(session, {"name": "somebody"}, clock.instant)
        session.execute(update(SignInCount).values(wait_until=clock.instant + timedelta(days=9)))
        assert count_attempt(session, {"name": "somebody"}, clock.instant) == LONGEST_WAIT
        later = clock.forward(timedelta(days=10))
        count_attempt(session, what, later)
        assert session.scalar(select(func.count()).select_from(SignInCount)) == 1


def test_known_browsers_are_forgotten_whoevers_they_were(
    visit: Visit, cast: Cast, clock: Clock, own_engine: Engine
) -> None:
    cast.sign_in(visit, "planner")
    clock.forward(DEVICE_KNOWN_FOR - timedelta(days=1))
    cast.sign_in(visit, "quality")
    with reading(own_engine) as session:
        assert session.scalar(select(func.count()).select_from(KnownDevice)) == 2
    clock.forward(timedelta(days=1, seconds=1))
    cast.sign_in(visit, "operator")
    with reading(own_engine) as session:
        kept = select(Account.name).join(KnownDevice, KnownDevice.account_id == Account.id)
        assert sorted(session.scalars(kept)) == ["olga", "quentin"]


@on_sqlite
def test_who_comes_back_after_weeks_is_counted_anew(own_engine: Engine, clock: Clock) -> None:
    for days in (0, 30):
        with writing(own_engine) as session:
            at = clock.instant + timedelta(days=days)
            assert count_attempt(session, {"name": "olga"}, at) == timedelta(0)
    with reading(own_engine) as session:
        assert session.scalars(select(SignInCount.level)).all() == [1.0]


@on_sqlite
def test_the_present_password_is_not_guessed_within_a_session(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "planner")
    visit.get("/me")
    answers = [
        visit.post("/me/secret", present=f"guess {turn}", secret="x", again="x").status_code
        for turn in range(6)
    ]
    assert answers == [400] * 5 + [429]


@given(st.floats(0, 1e6), st.floats(0, 1e6), st.sampled_from(sorted(LIMITS)))
def test_a_wait_never_shrinks_with_the_count_and_has_an_end(
    one: float, more: float, kind: str
) -> None:
    limit = LIMITS[kind]
    assert timedelta(0) <= wait_after(one, limit) <= wait_after(one + more, limit) <= LONGEST_WAIT


@given(st.floats(0, 1e3), st.integers(-100_000, 100_000))
def test_what_is_forgiven_is_never_more_than_there_is(level: float, seconds: int) -> None:
    moment = datetime(2026, 3, 4, 9, tzinfo=UTC)
    left = level_at(level, moment, moment + timedelta(seconds=seconds), LIMITS["name"])
    assert 0 <= left <= level
