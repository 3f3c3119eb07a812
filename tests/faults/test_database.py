"""The database goes away, crashes, or its disk is full: told plainly, nothing lost, and all goes on
by itself when it is back."""

import random
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, make_url

from tests.faults import rounds
from tests.faults.clusters import Cluster
from tests.faults.entries import Account, entry
from tests.faults.rounds import Place
from tests.faults.servers import ask
from tests.support.command import Command
from tests.support.databases import Databases
from tracelog.db import make_engine, upgrade

BATCH = 400
ROOM_BYTES = 150_000
# The server's own log of changes comes in pieces of a megabyte, which must fit.
SMALLEST_LIMIT_BYTES = 1_048_576


@pytest.fixture(scope="module")
def own_place(cluster: Cluster, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    """A place on a PostgreSQL server that may be killed."""
    engine = make_engine(cluster.create("plant"))
    upgrade(engine)
    made = Place.at(engine, tmp_path_factory.mktemp("served"), workers=1, cluster=cluster)
    yield made
    made.server.remove()
    engine.dispose()


def test_a_database_that_goes_away_is_found_again(own_place: Place, chance: random.Random) -> None:
    for _ in range(2):
        account = rounds.crash_database(own_place, chance)
        assert account.statuses[503] or account.statuses[0]
    assert own_place.check() > 0


def test_a_command_says_plainly_that_the_database_is_away(cluster: Cluster, tmp_path: Path) -> None:
    gone = make_url(cluster.url()).set(port=1).render_as_string(hide_password=False)
    for words in (("check",), ("upgrade",), ("serve",)):
        said = Command(gone, tmp_path)(*words, status=1).stderr
        assert "the database cannot" in said
        assert "Traceback" not in said
        assert cluster.password not in said


def test_a_full_disk_of_postgresql_is_told_and_nothing_is_lost(
    own_place: Place, cluster: Cluster
) -> None:
    cluster.stop()
    cluster.start(largest_file=max(cluster.largest_file(), SMALLEST_LIMIT_BYTES) + ROOM_BYTES)
    _fill_up(own_place)
    cluster.stop("immediate")
    cluster.start()
    _goes_on(own_place)


def test_a_full_disk_of_sqlite_is_told_and_nothing_is_lost(tmp_path: Path) -> None:
    databases = Databases("sqlite")
    engine = make_engine(databases.migrated())
    place = Place.at(engine, tmp_path / "served", workers=1)
    try:
        place.server.stop()
        place.server.start(largest_file=_size(engine) + ROOM_BYTES)
        _fill_up(place)
        place.server.kill()
        place.server.start()
        _goes_on(place)
    finally:
        place.server.remove()
        engine.dispose()
        databases.remove_all()


def _size(engine: Engine) -> int:
    assert engine.url.database
    return Path(engine.url.database).stat().st_size


def _fill_up(place: Place) -> None:
    """Log until nothing more fits; what was acknowledged before is noted."""
    account = Account()
    place.accounts.append(account)
    for start in range(0, 100 * BATCH, BATCH):
        batch = [entry(number) for number in range(start, start + BATCH)]
        answer = place.send(batch)
        for one in batch:
            account.sent[uuid.UUID(one["id"])] = one
            account.note(one, answer)
        if answer.status not in (200, 201):
            break
    assert answer.status == 503, answer.text[:300]
    assert "The disk of the database is full." in answer.json()["detail"]
    assert int(answer.headers["Retry-After"]) > 0
    # Reading goes on.
    asked = ask(place.server.port, "GET", "/api/v1/defects?limit=1", None, place.token)
    assert asked.status == 200, asked.text


def _goes_on(place: Place) -> None:
    one = entry(1)
    assert place.send(one).status == 201
    place.accounts[-1].sent[uuid.UUID(one["id"])] = one
    assert place.check() > BATCH
