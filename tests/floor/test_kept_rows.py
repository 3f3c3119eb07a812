"""The rows of the Floor are made once for all, and anew for every write, from wherever it comes."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.floor.test_views import words
from tests.support.clock import Clock
from tests.support.databases import open_engine
from tests.support.plants import ENDS_AT
from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.db import writing
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
    page = floor.get("/").text
    assert sent_for(floor, own_engine) <= 4
    assert words(floor.get("/").text) == words(page)
    clock.forward(timedelta(minutes=1))
    assert sent_for(floor, own_engine) > 10


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
