"""The rows of the Floor are made once for all, and anew for every write, from wherever it comes."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest
from flask import Flask
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from tests.floor.test_views import words
from tests.support.clock import Clock
from tests.support.databases import open_engine
from tests.support.plants import ENDS_AT
from tests.support.site import TOKEN, Cast, Visit
from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.audit import AuditRecord
from tracelog.db import new_id, writing
from tracelog.notices.models import Notice, Subscription
from tracelog.people.models import OpenSession
from tracelog.people.queries import account_named
from tracelog.plant.actions import record_lines
from tracelog.plant.facts import LineFact
from tracelog.plant.queries import directory
from tracelog.trends.models import Signal, SignalProgress


@pytest.fixture
def floor(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """The supervisor before the plant of two lines, half an hour after its history ends."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        plant.write_levels(session)
    clock.instant = hour(HOURS + 0.5)
    cast.sign_in(visit, "supervisor")
    return visit


@contextmanager
def another_process(engine: Engine) -> Iterator[Session]:
    """A session on connections that the application knows nothing of."""
    other = open_engine(engine.url.render_as_string(hide_password=False))
    try:
        with writing(other) as session:
            yield session
    finally:
        other.dispose()


def sent_for(visit: Visit, engine: Engine) -> int:
    """How many statements one look at the Floor sends."""
    statements = Statements(engine)
    assert visit.get("/").status_code == 200
    statements.close()
    return len(statements)


def test_the_second_look_within_the_minute_asks_only_whether_all_is_as_it_was(
    floor: Visit, own_engine: Engine, clock: Clock
) -> None:
    # The first look makes the proof of a form's origin, the second what is shown again.
    page = floor.get("/").text
    assert sent_for(floor, own_engine) < 10
    assert sent_for(floor, own_engine) == 3
    assert floor.get("/").text == floor.get("/").text
    assert words(floor.get("/").text) == words(page)
    clock.forward(timedelta(minutes=1))
    assert sent_for(floor, own_engine) > 10


def test_a_browser_gets_only_its_own_page(floor: Visit, cast: Cast, application: Flask) -> None:
    other = Visit(application.test_client())
    cast.sign_in(other, "operator")
    for _time in range(3):
        own, theirs = floor.get("/").text, other.get("/").text
        assert "Signed in as sara" in own
        assert "Signed in as olga" in theirs
        assert not set(TOKEN.findall(own)) & set(TOKEN.findall(theirs))


def test_the_same_person_at_another_browser_has_proofs_of_their_own(
    floor: Visit, cast: Cast, application: Flask
) -> None:
    other = Visit(application.test_client())
    cast.sign_in(other, "supervisor")
    for visit in (floor, other):
        for _time in range(2):
            page = visit.get("/")
            assert page.status_code == 200
        (proof, *_more) = TOKEN.findall(page.text)
        answer = visit.client.post("/look", data={"csrf_token": proof, "look": "dark", "next": "/"})
        assert answer.status_code == 303
        assert 'data-look="dark"' in visit.get("/").text


def test_what_stands_around_the_page_is_never_old(
    floor: Visit, cast: Cast, own_engine: Engine, clock: Clock
) -> None:
    for _time in range(2):
        assert "Notices, all read" in floor.get("/").text
    with another_process(own_engine) as session:
        account = account_named(session, "sara")
        told = Subscription(
            id=new_id(),
            account_id=account.id,
            kinds="signal",
            days_ahead=0,
            way="page",
            pace="at once",
            leaks_at_once=False,
            created_at=clock.now(),
            audit_id=session.execute(select(AuditRecord.id).limit(1)).scalar_one(),
        )
        session.add(told)
        session.flush()
        words_of_it = dict.fromkeys(("occasion", "kind", "place", "title", "text", "link"), "x")
        session.add(
            Notice(
                id=new_id(),
                subscription_id=told.id,
                account_id=account.id,
                happened_at=clock.now(),
                found_at=clock.now(),
                **words_of_it,
            )
        )
        session.flush()
    assert "Notices, 1 unread" in floor.get("/").text


def test_a_session_that_was_ended_elsewhere_sees_nothing_more(
    floor: Visit, own_engine: Engine, clock: Clock
) -> None:
    for _time in range(2):
        assert floor.get("/").status_code == 200
    with another_process(own_engine) as session:
        for one in session.execute(select(OpenSession)).scalars():
            one.ended_at = clock.now()
        session.flush()
    assert floor.get("/").status_code == 302


def log(session: Session) -> None:
    plant.log(session, HOURS, "1-1")


def read(session: Session) -> None:
    plant.write_readings(session, HOURS + 6)


def serve(session: Session) -> None:
    plant.serve(session, "1-2", "major", HOURS - 1)


def add_line(session: Session) -> None:
    plant.kept(record_lines(session, [LineFact(line=7)], plant.ACTOR, hour(HOURS)))


@pytest.mark.parametrize("write", [log, read, serve, add_line])
def test_a_write_of_another_process_is_seen_by_the_next_look(
    floor: Visit, own_engine: Engine, clock: Clock, write: Callable[[Session], None]
) -> None:
    clock.instant = hour(HOURS + 7)
    before = words(floor.get("/").text)
    assert words(floor.get("/").text) == before
    with another_process(own_engine) as session:
        write(session)
    after = words(floor.get("/").text)
    assert after != before


def test_an_entry_is_counted_by_the_next_look(floor: Visit, own_engine: Engine) -> None:
    assert "1 entries in 24 hours" not in words(floor.get("/").text)
    with another_process(own_engine) as session:
        log(session)
    assert "and 1 entries in 24 hours" in words(floor.get("/").text)


def test_a_signal_that_comes_later_is_seen_by_the_next_look(
    floor: Visit, own_engine: Engine, clock: Clock
) -> None:
    """Signals are derived a moment after the facts, without a record of their own."""
    assert "/trends/signals" not in floor.get("/").text
    with another_process(own_engine) as session:
        places = directory(session)
        session.add(
            Signal(
                machine_id=places.machine(1, "bodymaker", 1).id,
                defect="split",
                kind="rise",
                raised_at=hour(HOURS - 2),
                since=hour(HOURS - 4),
                since_low=hour(HOURS - 5),
                since_high=hour(HOURS - 3),
                ratio=4.0,
                score=9.0,
                threshold=5.0,
                baseline_per_million=1.0,
                count=7,
                strokes=100_000,
            )
        )
        session.add(SignalProgress(id=1, audit_sequence=1, worked_out_at=clock.now()))
        session.flush()
    assert "/trends/signals" in floor.get("/").text


def test_each_reads_it_in_their_own_language_and_by_their_own_role(
    floor: Visit, cast: Cast, own_engine: Engine
) -> None:
    with another_process(own_engine) as session:
        plant.kept(record_lines(session, [LineFact(line=7)], plant.ACTOR, hour(HOURS)))
    english = words(floor.get("/").text)
    assert "Set up the machines" not in english
    answer = floor.client.get("/", headers={"Accept-Language": "es"})
    assert "golpes" in words(answer.text)
    cast.sign_in(floor, "administrator")
    assert "Set up the machines" in words(floor.get("/").text)


@pytest.mark.small_plant
def test_the_kept_rows_are_those_that_are_made(visit: Visit, cast: Cast, clock: Clock) -> None:
    assert clock.instant == ENDS_AT
    cast.sign_in(visit, "supervisor")
    first = visit.get("/").text
    second = visit.get("/").text
    start, end = "<section", "</main>"
    rows = [page[page.index(start) : page.index(end)] for page in (first, second)]
    assert rows[0] == rows[1]
    assert rows[0].count('class="can-place"') >= 4
