"""Fixtures of the API's tests: one database for the tests of a module."""

from collections.abc import Iterator

import pytest
from argon2 import PasswordHasher

from tests.api.plant import Program, Site, site_on
from tests.support.databases import Databases, Kind, open_engine


@pytest.fixture(scope="module")
def site(database_kind: Kind, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """The application with the small plant; tests tell their rows apart by their keys."""
    databases = Databases(database_kind)
    engine = open_engine(databases.migrated())
    with pytest.MonkeyPatch.context() as patch:
        quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
        patch.setattr("tracelog.people.secrets._hasher", quick)
        with site_on(engine, tmp_path_factory.mktemp("site")) as site:
            yield site
    engine.dispose()
    databases.remove_all()


@pytest.fixture
def program(site: Site) -> Program:
    """A program with an administrator's token."""
    return site.program()
