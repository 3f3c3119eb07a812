"""Databases for tests, on both engines: made by the migrations once, then copied."""

import itertools
import os
import shutil
from pathlib import Path
from typing import Literal, TypeAlias

from sqlalchemy import Engine, NullPool, create_engine, event, make_url

from tests.support import postgres, testrun
from tracelog.db import make_engine, upgrade

Kind: TypeAlias = Literal["sqlite", "postgresql"]
KINDS: tuple[Kind, ...] = ("sqlite", "postgresql")
_serial = itertools.count(1)


class Databases:
    """Makes and removes databases of one kind for one test worker."""

    def __init__(self, kind: Kind) -> None:
        self.kind = kind
        self._made: list[str] = []

    def empty(self) -> str:
        """Address of a new database without any table."""
        if self.kind == "sqlite":
            return self._remember(f"sqlite:///{_sqlite_path(_new_name())}")
        return self._remember(_create_postgresql(_new_name()))

    def migrated(self) -> str:
        """Address of a new database with all tables and no rows."""
        if self.kind == "sqlite":
            template = testrun.once("sqlite-template", _sqlite_template)
            path = _sqlite_path(_new_name())
            shutil.copyfile(template, path)
            return self._remember(f"sqlite:///{path}")
        template = testrun.once("postgresql-template", _postgresql_template)
        return self._remember(_create_postgresql(_new_name(), template))

    def remove_all(self) -> None:
        """Remove what was made since the last call; whoever is still connected is cut off."""
        while self._made:
            _remove(self._made.pop())

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
    return engine


def _new_name() -> str:
    worker = os.environ.get("PYTEST_XDIST_WORKER", "main")
    return postgres.database_name(testrun.folder().name, f"{worker}_{next(_serial)}")


def _sqlite_path(name: str) -> Path:
    return testrun.folder() / f"{name}.db"


def _sqlite_template() -> str:
    path = testrun.folder() / "template.db"
    _migrate(f"sqlite:///{path}")
    return str(path)


def _postgresql_template() -> str:
    name = postgres.database_name(testrun.folder().name, "template")
    _migrate(_create_postgresql(name))
    return name


def _migrate(url: str) -> None:
    engine = open_engine(url)
    upgrade(engine)
    engine.dispose()


def _on_server(statement: str) -> None:
    engine = create_engine(postgres.server_url(), isolation_level="AUTOCOMMIT", poolclass=NullPool)
    with engine.connect() as connection:
        connection.exec_driver_sql(statement)


def _create_postgresql(name: str, template: str = "template1") -> str:
    _on_server(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')
    url = make_url(postgres.server_url()).set(database=name)
    return url.render_as_string(hide_password=False)


def _remove(url: str) -> None:
    address = make_url(url)
    if address.get_backend_name() == "postgresql":
        _on_server(f'DROP DATABASE IF EXISTS "{address.database}" WITH (FORCE)')
        return
    assert address.database
    for suffix in ("", "-wal", "-shm"):
        Path(address.database + suffix).unlink(missing_ok=True)
