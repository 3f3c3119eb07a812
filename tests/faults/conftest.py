"""A place with a server for the fault tests of a module, and chance from a seed that is printed."""

import os
import random
import sys
from collections.abc import Iterator

import pytest

from tests.faults.clusters import Cluster
from tests.faults.rounds import Place
from tests.support import postgres, testrun
from tests.support.databases import Databases, Kind
from tracelog.db import make_engine

SEED_VARIABLE = "TRACELOG_TEST_SEED"
USUAL_SEED = 8

if sys.platform == "win32":  # there are no such signals
    collect_ignore_glob = ["test_*.py"]


@pytest.fixture
def chance(request: pytest.FixtureRequest) -> random.Random:
    """Where and when faults happen: on CI always the same, elsewhere anew each time, and said."""
    given = os.environ.get(SEED_VARIABLE)
    seed = int(given) if given else USUAL_SEED if testrun.on_ci() else random.randrange(10**6)
    print(f"{SEED_VARIABLE}={seed}")
    return random.Random(f"{seed} {request.node.name}")


@pytest.fixture(scope="module")
def place(database_kind: Kind, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    """A place of two workers; on SQLite with the waiting for the disk that a plant has."""
    databases = Databases(database_kind)
    engine = make_engine(databases.migrated())
    made = Place.at(engine, tmp_path_factory.mktemp("served"), workers=2)
    yield made
    made.server.remove()
    engine.dispose()
    databases.remove_all()


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    """A running PostgreSQL server that a test may stop and kill."""
    postgres.server_url()  # where there are no programs, it says so
    worker = os.environ.get("PYTEST_XDIST_WORKER", "main")
    made = Cluster(testrun.folder() / f"cluster-{worker}").start()
    yield made
    made.remove()
