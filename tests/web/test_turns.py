"""Few requests at once, a short queue, and 503 at once for the rest; entries come last to that."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
from flask import Flask
from werkzeug.test import Client

from tests.support.site import Visit
from tracelog.web.application import Application
from tracelog.web.serving import take_turns
from tracelog.web.turns import ENTRY_ADDRESSES, Allowance, Kind, Turn, Turns, kind_of

SHORT = {
    Kind.ENTRY: Allowance(waiting=2, longest_wait_s=20.0, come_again_s=1.0),
    Kind.WRITE: Allowance(waiting=1, longest_wait_s=0.05, come_again_s=1.0),
    Kind.READ: Allowance(waiting=1, longest_wait_s=0.05, come_again_s=4.0),
}


@pytest.mark.parametrize(
    ("method", "path", "kind"),
    [
        ("POST", "/log/queued", Kind.ENTRY),
        ("POST", "/api/v1/defects", Kind.ENTRY),
        ("GET", "/log/contact", Kind.ENTRY),
        ("GET", "/log", Kind.READ),
        ("GET", "/api/v1/defects", Kind.READ),
        ("POST", "/api/v1/readings", Kind.WRITE),
        ("GET", "/api/v1/health/live", None),
        ("GET", "/static/1/x.css", None),
        ("GET", "/api/v1/health/ready", Kind.READ),
    ],
)
def test_what_a_request_waits_as(method: str, path: str, kind: Kind | None) -> None:
    assert kind_of(method, path) is kind


@contextmanager
def waiting(turns: Turns, kind: Kind, count: int = 1) -> Iterator[list[bool]]:
    """So many that wait for a turn; at the end of the block they have been told."""
    told: list[bool] = []
    threads = [threading.Thread(target=lambda: told.append(turns.take(kind))) for _ in range(count)]
    for thread in threads:
        thread.start()
    until(lambda: turns.waiting(kind) == count)
    yield told
    for thread in threads:
        thread.join(30)


def until(is_so: Callable[[], bool]) -> None:
    give_up_at = time.monotonic() + 10
    while not is_so():
        assert time.monotonic() < give_up_at
        time.sleep(0.002)


def test_neither_readers_nor_entries_take_the_last_place() -> None:
    for many, other in ((Kind.READ, Kind.ENTRY), (Kind.ENTRY, Kind.READ)):
        turns = Turns(3, SHORT)
        assert turns.take(many)
        assert turns.take(many)
        assert turns.waiting(many) == 0
        assert turns.take(other)


def test_whoever_waits_too_long_is_turned_away() -> None:
    turns = Turns(2, SHORT)
    assert turns.take(Kind.READ)
    assert not turns.take(Kind.READ)
    assert turns.turned_away[Kind.READ] == 1
    turns.give_back(Kind.READ)
    assert turns.take(Kind.READ)


def test_a_full_queue_turns_away_at_once_and_entries_go_first() -> None:
    turns = Turns(2, SHORT)
    assert turns.take(Kind.ENTRY)
    assert turns.take(Kind.READ)
    with waiting(turns, Kind.ENTRY, 2) as told:
        started = time.monotonic()
        assert not turns.take(Kind.ENTRY)
        assert time.monotonic() - started < SHORT[Kind.ENTRY].longest_wait_s / 2
        turns.give_back(Kind.ENTRY)
        until(lambda: told == [True])
        turns.give_back(Kind.ENTRY)
        until(lambda: told == [True, True])
    assert turns.turned_away == {Kind.ENTRY: 1}


def test_who_waits_aside_gives_the_place_away_and_counts_as_waiting() -> None:
    turns = Turns(2, SHORT)
    for _request in range(SHORT[Kind.ENTRY].waiting):
        # With one place for entries, each comes in only since the one before has stepped aside.
        assert turns.take(Kind.ENTRY)
        turns.step_aside(Kind.ENTRY)
    assert turns.waiting(Kind.ENTRY) == SHORT[Kind.ENTRY].waiting
    assert not turns.take(Kind.ENTRY)
    turns.come_back(Kind.ENTRY)
    assert turns.take(Kind.ENTRY)


def test_a_turn_that_was_given_away_is_not_given_back_again() -> None:
    turns = Turns(2, SHORT)
    assert turns.take(Kind.ENTRY)
    turn = Turn(turns, Kind.ENTRY)
    with turn.aside(), turn.aside():
        assert turns.waiting(Kind.ENTRY) == 1
    turn.end()
    assert turns.waiting(Kind.ENTRY) == 0
    assert turns.take(Kind.ENTRY)
    with waiting(turns, Kind.ENTRY) as told:
        turns.give_back(Kind.ENTRY)
    assert told == [True]


def test_who_waited_aside_in_vain_waits_for_a_place_like_others() -> None:
    turns = Turns(2, SHORT | {Kind.ENTRY: Allowance(2, longest_wait_s=0.05, come_again_s=1.0)})
    assert turns.take(Kind.ENTRY)
    turn = Turn(turns, Kind.ENTRY)
    assert turn.again()
    with turn.aside():
        assert turns.take(Kind.ENTRY)
    assert not turn.again()
    turn.end()
    turns.give_back(Kind.ENTRY)
    assert turn.again()
    assert not turns.take(Kind.ENTRY)
    turn.end()
    assert turns.take(Kind.ENTRY)


only_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@only_sqlite
def test_who_is_turned_away_is_told_plainly_and_when_to_come_again(
    application: Flask, visit: Visit
) -> None:
    assert isinstance(application, Application)
    turns = Turns(2, SHORT)
    take_turns(application, turns)
    assert turns.take(Kind.READ)
    client = Client(application)
    page = client.get("/sign-in", headers={"Accept-Language": "es"})
    assert page.status_code == 503
    assert page.mimetype == "text/html"
    assert 'lang="es"' in page.text
    assert 2 <= int(page.headers["Retry-After"]) <= 8
    assert "Content-Security-Policy" in page.headers
    call = client.get("/api/v1/machines")
    assert call.status_code == 503
    assert call.mimetype == "application/problem+json"
    assert call.json is not None
    assert "Nothing of this was kept" in call.json["detail"]
    # It is still said that the process is alive.
    assert client.get("/api/v1/health/live").status_code == 200
    turns.give_back(Kind.READ)
    assert visit.get("/sign-in").status_code == 200


@only_sqlite
def test_every_address_of_entries_is_one_of_ours(application: Flask) -> None:
    known = {rule.rule for rule in application.url_map.iter_rules()}
    assert known >= ENTRY_ADDRESSES
