"""Attempts are counted before a PIN is looked at, and the entry carries who typed the right one."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from tests.support.clock import Clock
from tests.support.site import CAST, JOINED_AT, Cast, Visit
from tracelog.db import reading, writing
from tracelog.defects.models import CurrentEntry
from tracelog.errors import TracelogError
from tracelog.people import queries, tablet_actions, tablet_queries
from tracelog.people.pin_rules import LONGEST_WAIT, check_pin, new_pin, wait_after
from tracelog.people.tablets import TABLET_COOKIE

SARA = CAST["supervisor"].actor()


@pytest.fixture
def secret(own_engine: Engine, cast: Cast) -> str:
    """The secret of a shared tablet; the operator has the PIN 4029."""
    cast.join("operator")
    with writing(own_engine) as session:
        account = queries.account_named(session, "olga")
        tablet_actions.set_own_pin(session, account.id, "4029", SARA, JOINED_AT)
        return tablet_actions.share_tablet(session, "line 1", None, "3", SARA, JOINED_AT)


def test_of_many_attempts_at_once_three_are_looked_at(
    secret: str, own_engine: Engine, clock: Clock
) -> None:
    assert secret
    with reading(own_engine) as session:
        account = queries.account_named(session, "olga")
        (tablet,) = tablet_queries.tablets(session)
    together = Barrier(8)

    def attempt(_number: int) -> bool:
        together.wait()
        with writing(own_engine) as session:
            counted = tablet_actions.count_attempt(
                session, tablet.id, account.id, 4, is_last=False, now=clock.instant
            )
        return counted.is_let_in

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(attempt, range(8))) == 3


@pytest.mark.small_plant
def test_an_entry_carries_whoever_typed_the_pin(
    secret: str, application: Flask, own_engine: Engine, clock: Clock
) -> None:
    tablet = Visit(application.test_client())
    tablet.client.set_cookie(TABLET_COOKIE, secret)
    with reading(own_engine) as session:
        account = queries.account_named(session, "olga")
    tablet.get(f"/who/{account.id}")
    assert tablet.post(f"/who/{account.id}", pin="4029").status_code == 303
    tablet.get("/log")
    clock.forward(timedelta(seconds=20))
    answer = tablet.post("/log/typed", typed="1-2 split flange 2")
    assert answer.status_code == 303, answer.text
    with reading(own_engine) as session:
        last = session.execute(
            select(CurrentEntry.logged_by).order_by(CurrentEntry.seen_at.desc()).limit(1)
        )
        assert last.scalar_one() == "Olga"


@given(st.integers(0, 10_000))
def test_the_wait_never_shrinks_and_ends_at_a_quarter_of_an_hour(attempts: int) -> None:
    assert timedelta(0) <= wait_after(attempts) <= wait_after(attempts + 1) <= LONGEST_WAIT


def test_pins_that_are_given_out_are_good_ones() -> None:
    given_out = {new_pin() for _time in range(200)}
    assert len(given_out) > 190
    for pin in given_out:
        check_pin(pin)


def test_of_all_pins_of_four_digits_few_are_refused() -> None:
    refused = 0
    for number in range(10_000):
        try:
            check_pin(f"{number:04}")
        except TracelogError:
            refused += 1
    assert 500 < refused < 1000
