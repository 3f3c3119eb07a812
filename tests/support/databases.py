"""Databases for tests, on both engines: made by the migrations once, then copied."""

import itertools
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Literal, TypeAlias

from sqlalchemy import Dialect, Engine, NullPool, create_engine, event, make_url
from sqlalchemy.orm import Session
from sqlalchemy.util import LRUCache

from tests.support import postgres, testrun
from tests.support.emptying import Emptied
from tracelog.db import make_engine, upgrade

Kind: TypeAlias = Literal["sqlite", "postgresql"]
KINDS: tuple[Kind, ...] = ("sqlite", "postgresql")
_serial = itertools.count(1)
_emptied = Emptied()
# By kind: a dialect that has seen its database, and what was compiled for it. Each test has an
# engine of its own, which would compile every statement anew.
_compiled: dict[str, tuple[Dialect, LRUCache[object, object]]] = {}
_MOST_COMPILED = 3000


class Databases:
    """Makes and removes databases of one kind for one test worker."""

    def __init__(self, kind: Kind) -> None:
        self.kind = kind
        self._made: list[str] = []

    def empty(self) -> str:
        """Address of a new database without any table."""
        return self._remember(_create(self.kind, _new_name()))

    def migrated(self) -> str:
        """Address of a new database with all tables and no rows."""
        template = testrun.once(f"{self.kind}-tables", lambda: _with_tables(self.kind))
        if self.kind == "sqlite":
            return self._remember(_create(self.kind, _new_name(), template))
        url = _emptied.take()
        if url is None:
            url = _create(self.kind, _new_name(), template)
            _emptied.note(url)
        return self._remember(url)

    def with_plant(self) -> str:
        """Address of a new database that holds the small simulated plant."""
        template = testrun.once(f"{self.kind}-plant", self._import_small_plant)
        return self._remember(_create(self.kind, _new_name(), template))

    def remove_all(self) -> None:
        """Remove what was made since the last call; whoever is still connected is cut off."""
        while self._made:
            _remove(self._made.pop())

    def _import_small_plant(self) -> str:
        from tests.support.plants import import_plant, small_plant_folder

        tables = testrun.once(f"{self.kind}-tables", lambda: _with_tables(self.kind))
        url = _create(self.kind, _template_name("plant"), tables)
        engine = open_engine(url)
        import_plant(engine, small_plant_folder())
        engine.dispose()
        return url

    def _remember(self, url: str) -> str:
        self._made.append(url)
        return url


def open_engine(url: str) -> Engine:
    """The application's own engine for `url`; on SQLite without waiting for the disk."""
    engine = make_engine(url)
    if engine.dialect.name == "sqlite":
        event.listen(
            engine, "connect", lambda raw, record: raw.execute("PRAGMA synchronous=OFF").close()
        )
    if engine.dialect.name not in _compiled:
        engine.connect().close()
        _compiled[engine.dialect.name] = engine.dialect, LRUCache(_MOST_COMPILED)
    engine.dialect, cache = _compiled[engine.dialect.name]
    engine.update_execution_options(compiled_cache=cache)
    return engine


@contextmanager
def undone_session(engine: Engine) -> Iterator[Session]:
    """A session inside a transaction that is undone at the end, whatever was committed."""
    with engine.connect() as connection:
        outer = connection.begin()
        with Session(
            bind=connection, autoflush=False, join_transaction_mode="create_savepoint"
        ) as session:
            yield session
        outer.rollback()


def _new_name() -> str:
    worker = os.environ.get("PYTEST_XDIST_WORKER", "main")
    return _template_name(f"{worker}_{next(_serial)}")


def _template_name(rest: str) -> str:
    return postgres.database_name(testrun.folder().name, rest)


def _with_tables(kind: Kind) -> str:
    url = _create(kind, _template_name("tables"))
    engine = open_engine(url)
    upgrade(engine)
    engine.dispose()
    return url


def _create(kind: Kind, name: str, template: str | None = None) -> str:
    """Make a database, a copy of the one at `template` if given, and return its address."""
    if kind == "sqlite":
        path = testrun.folder() / f"{name}.db"
        if template:
            shutil.copyfile(_path_of(template), path)
        return f"sqlite:///{path}"
    original = make_url(template).database if template else "template1"
    _on_server(f'CREATE DATABASE "{name}" TEMPLATE "{original}"{_how_to_copy()}')
    url = make_url(postgres.server_url()).set(database=name)
    return url.render_as_string(hide_password=False)


@lru_cache(maxsize=1)
def _how_to_copy() -> str:
    """Files are copied in less than half the time that rows take, where the server lets choose."""
    engine = create_engine(postgres.server_url(), poolclass=NullPool)
    with engine.connect() as connection:
        version = connection.dialect.server_version_info or (0,)
    return " STRATEGY FILE_COPY" if version >= (15,) else ""


def _on_server(statement: str) -> None:
    engine = create_engine(postgres.server_url(), isolation_level="AUTOCOMMIT", poolclass=NullPool)
    with engine.connect() as connection:
        connection.exec_driver_sql(statement)


def _path_of(url: str) -> Path:
    path = make_url(url).database
    assert path
    return Path(path)


def _remove(url: str) -> None:
    if make_url(url).get_backend_name() == "postgresql":
        if _emptied.give_back(url):
            return
        _on_server(f'DROP DATABASE IF EXISTS "{make_url(url).database}" WITH (FORCE)')
        return
    path = _path_of(url)
    for suffix in ("", "-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
