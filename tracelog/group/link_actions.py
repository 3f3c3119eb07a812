"""Joining a plant's database to the centre: its publication, and the centre's subscription.

The centre has one database for each plant, with the same tables, so that no row of one plant ever
meets one of another, and a plant that is away leaves what it said last. Both are done by commands
of whoever looks after the servers; neither touches a fact.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from tracelog.db import revision_of
from tracelog.errors import TracelogError
from tracelog.group.rules import is_published
from tracelog.language import _

PUBLICATION = "tracelog_group"
_TABLES = text(
    "SELECT c.relname, array_agg(a.attname::text) AS columns FROM pg_class c"
    " JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped"
    " WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p')"
    " AND NOT c.relispartition GROUP BY c.relname ORDER BY c.relname"
)


def publish(engine: Engine) -> list[str]:
    """Make or renew the publication of a plant's database.

    Returns:
        The tables that leave the plant; accounts, tokens, PINs and keys are in none of them.

    Raises:
        TracelogError: it is not PostgreSQL with logical replication, or the right is missing.
    """
    _demand_postgresql(engine)
    with _told_plainly(), engine.begin() as connection:
        level = connection.exec_driver_sql("SHOW wal_level").scalar_one()
        if level != "logical":
            raise TracelogError(
                _(
                    "the server's wal_level is %(level)s; set wal_level = logical in"
                    " postgresql.conf and restart it",
                    level=level,
                )
            )
        tables = published_tables(connection)
        if not tables:
            raise TracelogError(
                _("the database has no tables yet; run 'tracelog upgrade' on it first")
            )
        names = ", ".join(f'public."{one}"' for one in tables)
        there = connection.execute(
            text("SELECT 1 FROM pg_publication WHERE pubname = :name"), {"name": PUBLICATION}
        ).first()
        if there:
            connection.exec_driver_sql(f"ALTER PUBLICATION {PUBLICATION} SET TABLE {names}")
        else:
            connection.exec_driver_sql(
                f"CREATE PUBLICATION {PUBLICATION} FOR TABLE {names}"
                " WITH (publish_via_partition_root = true)"
            )
    return tables


def published_tables(connection: Connection) -> list[str]:
    """The tables of a database that leave the plant, by name."""
    return [name for name, columns in connection.execute(_TABLES) if is_published(name, columns)]


def subscribe(centre: Engine, plant_name: str, source: str, revision: str) -> bool:
    """Let a database at the centre follow a plant's publication; the tables must be there.

    Args:
        centre: the database of this plant at the centre.
        plant_name: the plant's name in the group's file.
        source: how the centre's server reaches the plant's database, as libpq writes it.
        revision: the version of the plant's tables; the centre must have the same.

    Returns:
        Whether it is new; one that is there takes the source and the tables anew.

    Raises:
        TracelogError: it holds a plant of its own, the versions differ, or the server refuses.
    """
    _demand_postgresql(centre)
    name = f"tracelog_{plant_name}"
    with _told_plainly(), centre.connect() as connection:
        own = revision_of(connection)
        if own != revision:
            raise TracelogError(
                _(
                    "the plant's tables are of version %(theirs)s, the centre's of %(ours)s; bring"
                    " both to the same version of tracelog, the centre first",
                    theirs=revision or "-",
                    ours=own or "-",
                )
            )
        there = connection.execute(
            text("SELECT 1 FROM pg_subscription WHERE subname = :name"), {"name": name}
        ).first()
        if there is None:
            _empty(connection)
        connection.commit()
        # A subscription makes its slot at the plant and cannot be part of a transaction.
        outside = connection.execution_options(isolation_level="AUTOCOMMIT")
        quoted = source.replace("'", "''").replace("%", "%%")
        if there is None:
            outside.exec_driver_sql(
                f"CREATE SUBSCRIPTION {name} CONNECTION '{quoted}' PUBLICATION {PUBLICATION}"
            )
        else:
            outside.exec_driver_sql(f"ALTER SUBSCRIPTION {name} CONNECTION '{quoted}'")
            outside.exec_driver_sql(f"ALTER SUBSCRIPTION {name} REFRESH PUBLICATION")
    return there is None


def unsubscribe(centre: Engine, plant_name: str, *, plant_is_gone: bool = False) -> None:
    """End a subscription; what the plant said so far stays.

    Args:
        centre: the database of this plant at the centre.
        plant_name: the plant's name in the group's file.
        plant_is_gone: the plant's server cannot be reached any more to take its slot away there.

    Raises:
        TracelogError: there is no such subscription, or the server refuses.
    """
    _demand_postgresql(centre)
    name = f"tracelog_{plant_name}"
    with _told_plainly(), centre.connect() as raw:
        outside = raw.execution_options(isolation_level="AUTOCOMMIT")
        if plant_is_gone:
            outside.exec_driver_sql(f"ALTER SUBSCRIPTION {name} DISABLE")
            outside.exec_driver_sql(f"ALTER SUBSCRIPTION {name} SET (slot_name = NONE)")
        outside.exec_driver_sql(f"DROP SUBSCRIPTION {name}")


def _empty(connection: Connection) -> None:
    """Take away what migrations put into new tables: the plant's own rows come instead."""
    if connection.exec_driver_sql("SELECT 1 FROM plants LIMIT 1").first():
        raise TracelogError(
            _(
                "this database holds a plant already; a plant of the group needs an empty database"
                " of its own at the centre"
            )
        )
    names = ", ".join(f'public."{one}"' for one in published_tables(connection))
    connection.exec_driver_sql(f"TRUNCATE {names} CASCADE")


def _demand_postgresql(engine: Engine) -> None:
    if engine.dialect.name != "postgresql":
        raise TracelogError(_("plants are joined to a group by PostgreSQL, not by SQLite"))


@contextmanager
def _told_plainly() -> Iterator[None]:
    """What the server refuses becomes a sentence."""
    try:
        yield
    except DBAPIError as problem:
        lines = str(problem.orig).strip().splitlines() or [type(problem.orig).__name__]
        raise TracelogError(
            _("the server refuses: %(why)s", why=" ".join(one.strip() for one in lines))
        ) from problem
