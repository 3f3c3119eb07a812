"""What is altered by hand, past the application, is found and named: in every table there is."""

import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import (
    Column,
    Connection,
    Float,
    Integer,
    String,
    Table,
    UniqueConstraint,
    Uuid,
    insert,
    select,
    text,
    update,
)
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from tests.seals.rows import fill_empty_tables, made_up
from tests.support.databases import Databases, Kind, open_engine
from tests.support.plants import ENDS_AT
from tracelog.audit import broken_links
from tracelog.db import Base, UtcInstant
from tracelog.keeping.integrity import Integrity, look_over
from tracelog.seals.actions import settle
from tracelog.seals.checking import broken_chain, broken_seals
from tracelog.seals.queries import present, rows_with_keys
from tracelog.seals.rules import CHAINS, DERIVED_TABLES, Way, way_of

LATER = "'2031-01-01 00:00:00.000000'"
SEALED = [table for table in Base.metadata.sorted_tables if way_of(table.name) is not Way.NOT]


@pytest.fixture(scope="module")
def whole(database_kind: Kind) -> Iterator[Session]:
    """A database of its own: the small plant and a few rows in every other table."""
    databases = Databases(database_kind)
    engine = open_engine(databases.with_plant())
    with engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            # References are looked after or not from one transaction to the next only.
            raw = connection.connection.driver_connection
            raw.execute("PRAGMA foreign_keys=OFF").close()  # type: ignore[union-attr]
        outer = connection.begin()
        if connection.dialect.name == "postgresql":
            connection.execute(text("SET LOCAL session_replication_role = replica"))
        with Session(connection, join_transaction_mode="create_savepoint") as session:
            fill_empty_tables(session)
            settle(session)
            yield session
        outer.rollback()
    engine.dispose()
    databases.remove_all()


@contextmanager
def undone(session: Session) -> Iterator[Connection]:
    nested = session.begin_nested()
    try:
        yield session.connection()
    finally:
        nested.rollback()


def by_hand(connection: Connection, statement: str) -> None:
    """Plain SQL, as somebody types it beside the application."""
    connection.exec_driver_sql(statement)


def a_key(connection: Connection, table: Table) -> str:
    """A condition that one row of a table meets."""
    names = [column.name for column in table.primary_key.columns]
    row = connection.exec_driver_sql(f"SELECT {', '.join(names)} FROM {table.name} LIMIT 1").one()
    return " AND ".join(f"{n} = '{v}'" for n, v in zip(names, row, strict=True))


def another(column: Column[Any]) -> str:
    """SQL for another value of a column than it has."""
    if isinstance(column.type, Integer | Float):
        return f"coalesce({column.name}, 0) + 1"
    if isinstance(column.type, UtcInstant):
        return LATER
    return f"'q' || substr(coalesce({column.name}, ''), 2)"


def alter(connection: Connection, table: Table) -> None:
    """Alter one value of one row: the first that the table's own checks let pass."""
    key = a_key(connection, table)
    for column in table.columns:
        if column.primary_key or not is_plain(column):
            continue
        place = connection.begin_nested()
        try:
            by_hand(
                connection,
                f"UPDATE {table.name} SET {column.name} = {another(column)} WHERE {key}",
            )
        except DBAPIError:
            place.rollback()
        else:
            place.commit()
            return
    pytest.fail(f"no value of {table.name} can be altered by this test; teach it one")


def is_plain(column: Column[Any]) -> bool:
    return isinstance(column.type, Integer | Float | String | UtcInstant)


def remove(connection: Connection, table: Table) -> None:
    """Remove one row."""
    by_hand(connection, f"DELETE FROM {table.name} WHERE {a_key(connection, table)}")


def copy(connection: Connection, table: Table) -> None:
    """Add a row like another one, under a key that is new."""
    own = {column.name for column in table.primary_key.columns} | unique(table)
    names = [column.name for column in table.columns]
    values = [fresh(table.c[n]) if n in own else kept(table.c[n]) for n in names]
    by_hand(
        connection,
        f"INSERT INTO {table.name} ({', '.join(names)}) SELECT {', '.join(values)}"
        f" FROM {table.name} WHERE {a_key(connection, table)}",
    )


def unique(table: Table) -> set[str]:
    """Columns of which no two rows may have the same."""
    found = {column.name for column in table.columns if column.unique}
    for constraint in (*table.constraints, *table.indexes):
        if isinstance(constraint, UniqueConstraint) or getattr(constraint, "unique", False):
            found |= {column.name for column in constraint.columns}  # type: ignore[attr-defined]
    return found


def kept(column: Column[Any]) -> str:
    """SQL for a value that may stay; an end would lie before the beginning that is new."""
    ends = column.nullable and isinstance(column.type, UtcInstant)
    return "NULL" if ends else column.name


def fresh(column: Column[Any]) -> str:
    """SQL for a value of a column that no row has."""
    kind = column.type
    if isinstance(kind, Uuid):
        return f"'{uuid.uuid4().hex}'"
    if isinstance(kind, Integer):
        return f"{column.name} + 1000000"
    if isinstance(kind, UtcInstant):
        return LATER
    return f"substr({column.name}, 1, 10) || 'y'"


@pytest.mark.parametrize("tamper", [alter, remove, copy])
def test_a_row_of_each_table_that_is_tampered_with_is_named(
    whole: Session, tamper: Callable[[Connection, Table], None]
) -> None:
    assert broken_seals(whole.connection()) == []
    with undone(whole) as connection:
        for table in SEALED:
            tamper(connection, table)
        said = broken_seals(connection)
    assert [table.name for table in SEALED if not told(said, table.name)] == []
    assert {sentence.split(":")[0] for sentence in said} == {table.name for table in SEALED}


def told(said: list[str], table: str) -> bool:
    return any(sentence.startswith(f"{table}: ") for sentence in said)


def test_records_and_seals_that_are_tampered_with_break_their_chains(whole: Session) -> None:
    for tamper in (alter, remove):
        for name in sorted(CHAINS):
            with undone(whole) as connection:
                tamper(connection, Base.metadata.tables[name])
                said = [*broken_links(whole), *broken_chain(connection)]
            assert told(said, name) or any("audit record" in one for one in said), name


def test_a_seal_that_is_made_anew_for_an_altered_row_breaks_the_chain(whole: Session) -> None:
    table = Base.metadata.tables["accounts"]
    with undone(whole) as connection:
        key = a_key(connection, table).split("'")[1]
        by_hand(connection, f"UPDATE accounts SET role = 'administrator' WHERE id = '{key}'")
        row = uuid.UUID(key)
        digest = dict(present(connection, table, rows_with_keys(table, [(row,)])))[row,]
        by_hand(connection, f"UPDATE row_seals SET digest = '{digest}' WHERE row_key = '{row}'")
        said = broken_seals(connection)
    assert len(said) == 1
    assert said[0].startswith("row_seals: seals of number ")


def test_what_was_altered_by_hand_stays_told_when_tracelog_writes_the_row_again(
    whole: Session,
) -> None:
    table = Base.metadata.tables["accounts"]
    with undone(whole) as connection:
        own = a_key(connection, table)
        key = uuid.UUID(own.split("'")[1])
        whole.execute(update(table).where(table.c.id == key).values(display_name="Nina"))
        settle(whole)
        assert broken_seals(connection) == []
        by_hand(connection, f"UPDATE accounts SET role = 'administrator' WHERE {own}")
        whole.execute(update(table).where(table.c.id == key).values(display_name="Nina K"))
        settle(whole)
        said = broken_seals(connection)
    assert said == [f"accounts: the row {key} was altered by hand"]


def test_derived_rows_that_are_tampered_with_are_not_what_the_facts_say(
    plant_session: Session,
) -> None:
    assert look_over(plant_session, ENDS_AT, rebuild=False) == Integrity()
    connection = plant_session.connection()
    tables = [Base.metadata.tables[name] for name in DERIVED_TABLES]
    for table in tables:
        if connection.execute(select(table).limit(1)).first():
            alter(connection, table)
        else:
            connection.execute(insert(table).values(made_up(connection, table, 0)))
    said = look_over(plant_session, ENDS_AT, rebuild=False)
    assert (said.audit, said.rows) == ([], [])
    assert {one.split(":")[0] for one in said.derived} == set(DERIVED_TABLES)
