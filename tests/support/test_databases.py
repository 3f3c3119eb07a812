"""The fixtures that every other test leans on."""

import socket
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TypeAlias

import pytest
from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from tests.support.databases import Databases
from tests.support.statements import Statements
from tracelog.schema import metadata

OpenDatabase: TypeAlias = Callable[[str], Engine]

MAKE = "CREATE TABLE scratch (number INTEGER)"
FILL = "INSERT INTO scratch VALUES (1)"
ADD_ACCOUNT = (
    "INSERT INTO accounts (id, name, display_name, role, secret_hash, active, session_epoch,"
    " created_at) VALUES (gen_random_uuid(), 'a', 'A', 'operator', '', true, 0, now())"
)
COUNT = "SELECT count(*) FROM scratch"


def _tables(engine: Engine) -> set[str]:
    return set(inspect(engine).get_table_names())


def test_the_migrations_made_every_table(engine: Engine) -> None:
    assert _tables(engine) >= set(metadata.tables)


@pytest.mark.parametrize("time", ["first", "second"])
def test_what_a_test_commits_is_undone_after_it(session: Session, time: str) -> None:
    session.execute(text(MAKE))
    session.execute(text(FILL))
    session.commit()
    assert session.scalar(text(COUNT)) == 1


def test_a_rollback_undoes_only_what_was_not_committed(session: Session) -> None:
    session.execute(text(MAKE))
    session.commit()
    session.execute(text(FILL))
    session.rollback()
    assert session.scalar(text(COUNT)) == 0


def test_own_databases_do_not_share_rows(
    databases: Databases, open_database: OpenDatabase, empty_database_url: str
) -> None:
    first = open_database(databases.migrated())
    second = open_database(databases.migrated())
    with first.begin() as connection:
        connection.execute(text(MAKE))
    assert "scratch" in _tables(first)
    assert "scratch" not in _tables(second)
    assert _tables(open_database(empty_database_url)) == set()


def test_removed_databases_are_gone(databases: Databases, open_database: OpenDatabase) -> None:
    url = databases.empty()
    engine = open_database(url)
    assert not _tables(engine)
    engine.dispose()
    databases.remove_all()
    if engine.dialect.name == "postgresql":
        with pytest.raises(OperationalError, match="does not exist"):
            _tables(engine)
    else:
        assert not Path(url.removeprefix("sqlite:///")).exists()


@pytest.mark.small_plant
def test_a_database_of_ones_own_can_hold_the_small_plant(own_engine: Engine) -> None:
    with own_engine.connect() as connection:
        assert connection.scalar(text("SELECT count(*) FROM lines")) == 2


def test_the_shared_small_plant_is_left_as_it_was(
    plant_session: Session, plant_statements: Statements
) -> None:
    for _ in range(2):
        assert plant_session.scalar(text("SELECT count(*) FROM plants")) == 1
        plant_session.execute(text("DELETE FROM current_entries"))
        plant_session.rollback()
    assert len(plant_statements) == 4


def test_statements_are_counted_without_what_frames_them(
    session: Session, statements: Statements
) -> None:
    with statements.counted() as sent, session.begin_nested():
        session.execute(text("SELECT 1"))
        session.execute(text("SELECT 2"))
    assert len(sent) == 2


def test_the_servers_zone_is_not_taken_for_utc(engine: Engine) -> None:
    def zone(connection: Connection) -> str:
        return str(connection.scalar(text("SHOW timezone")))

    if engine.dialect.name == "postgresql":
        with engine.connect() as connection:
            assert zone(connection) == "UTC"
    assert datetime.now().astimezone().tzname() not in {"UTC", "CET", "CEST"}


def test_the_network_is_closed_but_for_this_machine() -> None:
    with pytest.raises(Exception, match=r"socket|allowed"):
        socket.create_connection(("192.0.2.1", 80), timeout=1)


@pytest.mark.parametrize("database_kind", ["postgresql"], indirect=True)
def test_a_database_is_used_again_empty_unless_more_than_rows_changed(
    databases: Databases, open_database: OpenDatabase
) -> None:
    url = databases.migrated()
    engine = open_database(url)
    with engine.begin() as connection:
        connection.execute(text(ADD_ACCOUNT))
    engine.dispose()
    databases.remove_all()
    assert databases.migrated() == url
    with engine.begin() as connection:
        assert connection.scalar(text("SELECT count(*) FROM accounts")) == 0
        connection.execute(text("ALTER TABLE accounts ADD COLUMN scratch INTEGER"))
    engine.dispose()
    databases.remove_all()
    assert databases.migrated() != url
